"""A shop that remembers cuts less again; the whole run is ``python -m tests.benchmarks.shop_memory``."""

from tests.benchmarks.shop_memory import LIMIT_RATIO, ratio_interval, run


def test_suggested_offsets_save_recuts(tmp_path):
    outcomes = [run(seed, tmp_path / f"{seed}.sqlite") for seed in (9, 12)]
    assert sum(o.plain for o in outcomes) >= 10
    assert ratio_interval(outcomes)[0] <= LIMIT_RATIO
    assert sum(o.covered for o in outcomes) >= 0.85 * sum(o.pieces for o in outcomes)
