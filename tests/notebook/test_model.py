"""The mixed model against statsmodels and a closed form; forecasts and starting offsets against known shops."""

import math

import numpy as np
import pytest
from scipy.sparse import csr_matrix
from shapely.geometry import LineString, Point, Polygon, box

from gapscan.job import parse_job
from gapscan.notebook.entries import outline_digest
from gapscan.notebook.forecast import forecast
from gapscan.notebook.mixed import Spread, fit
from gapscan.notebook.starting import starting_offsets
from gapscan.notebook.terms import USUAL_LOSS_MM, Conditions
from gapscan.simulate.designs import cells
from gapscan.solve.model import outline_bend
from tests.notebook.specimens import MATERIALS, piece, record, shop_records


def groups(rng, counts, sd, residual):
    group = np.repeat(np.arange(len(counts)), counts)
    return group, 1.0 + sd * rng.normal(size=len(counts))[group] + residual * rng.normal(size=len(group))


def one_way(y, group, u=1e-9):
    n = len(y)
    Z = csr_matrix(np.column_stack([np.ones(n), group[:, None] == np.arange(group.max() + 1)]).astype(float))
    term = np.array([0] + [1] * (group.max() + 1))
    free = Spread(1.0, math.inf)
    return fit(y, np.full(n, u), Z, term, (Spread(1e3), free), free)


def test_one_way_against_statsmodels():
    """REML variance components, mean and predicted effects of MixedLM (statsmodels), unbalanced groups."""
    smf = pytest.importorskip("statsmodels.regression.mixed_linear_model")
    rng = np.random.default_rng(3)
    group, y = groups(rng, [4, 7, 9, 3, 12, 6, 5], 0.8, 0.5)
    ours = one_way(y, group)
    theirs = smf.MixedLM(y, np.ones((len(y), 1)), groups=group).fit(reml=True)
    assert ours.sd[1] == pytest.approx(math.sqrt(theirs.cov_re.item()), rel=2e-3)
    assert ours.residual_sd == pytest.approx(math.sqrt(theirs.scale), rel=2e-3)
    assert ours.mean[0] == pytest.approx(theirs.fe_params[0], abs=1e-3)
    for k in range(7):
        assert ours.mean[1 + k] == pytest.approx(theirs.random_effects[k].item(), abs=3e-3)


def test_one_way_balanced_closed_form():
    """Balanced one-way analysis of variance: σ² = MSE, σ_b² = (MSA - MSE) / n (Searle, Casella & McCulloch, Variance
    Components, ch. 3; from memory), which is REML where it is positive."""
    rng = np.random.default_rng(5)
    group, y = groups(rng, [6] * 8, 1.0, 0.4)
    table = y.reshape(8, 6)
    mse = table.var(axis=1, ddof=1).mean()
    msa = 6 * table.mean(axis=1).var(ddof=1)
    ours = one_way(y, group)
    assert ours.residual_sd == pytest.approx(math.sqrt(mse), rel=1e-3)
    assert ours.sd[1] == pytest.approx(math.sqrt((msa - mse) / 6), rel=1e-3)
    shrink = 1 - mse / msa
    assert ours.mean[1:] == pytest.approx(shrink * (table.mean(axis=1) - y.mean()), abs=2e-3)


def test_without_observations_the_prior_stands():
    told = fit(
        np.empty(0), np.empty(0), csr_matrix((0, 2)), np.array([0, 1]), (Spread(0.5), Spread(0.2, 3.0)), Spread(1.0)
    )
    assert told.mean == pytest.approx([0, 0])
    assert np.diag(told.covariance) == pytest.approx([0.25, 0.04])


def plain(material="walnut", **other):
    given = {"material": material, "thickness_mm": 0.6, "settings": (("power", 60.0), ("speed", 12.0)), "facing": "up",
             "radius_mm": 12.0, "curvature": 0.0}  # fmt: skip
    return Conditions(**{**given, **other})


def test_no_record_gives_the_usual_loss_and_says_it_is_not_sure():
    told = forecast((), (plain(),))
    assert told.used == 0
    assert told.loss_mm == pytest.approx([USUAL_LOSS_MM])
    assert told.u_loss_mm[0] > 0.05


def test_surer_with_more_records_and_with_the_same_wood():
    shop = {"walnut": 0.02, "maple": -0.02}
    one, four = (
        forecast(shop_records(n, materials=shop), (plain("walnut"), plain("maple"), plain("ebony"))) for n in (1, 4)
    )
    assert four.u_loss_mm[0] < one.u_loss_mm[0] < one.u_loss_mm[2]
    assert four.loss_mm[:2] == pytest.approx([0.08, 0.04], abs=0.008)
    assert four.loss_mm[1] < four.loss_mm[2] < four.loss_mm[0]
    other = forecast(shop_records(4, materials=shop), (plain(settings=(("power", 90.0),)), plain(thickness_mm=1.5)))
    assert (other.u_loss_mm > 1.5 * four.u_loss_mm[0]).all()


def test_stated_uncertainty_holds():
    """True losses of new pieces lie within 1.96 u in about 95 of 100 cases, over many shops."""
    inside = total = 0
    for seed in range(60):
        rng = np.random.default_rng(1000 + seed)
        shop = {name: float(rng.normal(0, 0.012)) for name in MATERIALS}
        base = float(rng.uniform(0.03, 0.1))
        told = forecast(shop_records(3, seed=seed, materials=shop, base_mm=base), tuple(plain(m) for m in MATERIALS))
        for k, name in enumerate(MATERIALS):
            true = base + shop[name] + 0.003 * rng.normal() + 0.004 * rng.normal()
            inside += abs(true - told.loss_mm[k]) <= 1.96 * told.u_loss_mm[k]
            total += 1
    assert 0.90 <= inside / total <= 1.0


def test_a_faulty_piece_does_not_teach():
    book = shop_records(3)
    bad = record(
        9, (*(piece(f"q{k}", outline=f"9-{k}") for k in range(9)), piece("bad", loss_mm=0.35, outline="9-bad"))
    )
    told, with_fault = forecast(book, (plain(),)), forecast((*book, (9, bad)), (plain(),))
    assert with_fault.faults == 1
    assert with_fault.loss_mm[0] == pytest.approx(told.loss_mm[0], abs=0.004)


def test_recut_pieces_are_not_taken_for_the_shops_loss():
    """A job inspected twice, the bad pieces cut again in between: they are all that is left of its first inspection."""
    sound = [piece(f"p{k}", loss_mm=0.06 + 0.001 * (k % 3), outline=f"p{k}") for k in range(40)]
    bad = [piece(f"b{k}", loss_mm=0.18 + 0.001 * k, outline=f"b{k}") for k in range(4)]
    again = [piece(f"b{k}", loss_mm=0.181, offset_mm=0.12, outline=f"b{k}") for k in range(4)]
    book = ((1, record(1, (*sound, *bad))), (2, record(2, (*sound, *again))))
    told = forecast(book, (plain(),))
    assert told.faults == 8
    assert told.loss_mm[0] == pytest.approx(0.061, abs=0.003)
    assert told.job_mm < 0.01


def test_the_same_piece_seen_twice_counts_once():
    one = record(1, tuple(piece(f"p{k}", outline=f"same-{k}") for k in range(6)))
    two = record(2, tuple(piece(f"p{k}", outline=f"same-{k}") for k in range(6)))
    assert forecast(((1, one), (2, two)), (plain(),)).used == 6


def test_unseen_pieces_are_counted_and_left_out():
    told = forecast(
        ((1, record(1, (piece("a"), piece("b", loss_mm=None, u_mm=None), piece("c", u_mm=0.4)))),), (plain(),)
    )
    assert (told.used, told.vague) == (1, 2)


@pytest.mark.parametrize("bad", [{"loss_mm": 0.06, "u_mm": 1e-9}])
def test_a_figure_without_uncertainty_does_not_rule_alone(bad):
    book = (*shop_records(2), (5, record(5, (piece("z", outline="z", **(bad | {"loss_mm": 0.09})),))))
    assert forecast(book, (plain(),)).loss_mm[0] < 0.075


def test_mean_bend_of_known_shapes():
    """tanh(5/r) round a circle; nothing on straight edges and corners."""
    assert outline_bend(Point(0, 0).buffer(10.0, quad_segs=400)) == pytest.approx(math.tanh(0.5), abs=0.01)
    assert outline_bend(box(0, 0, 40, 30)) == pytest.approx(0.0, abs=1e-6)
    slot = LineString([(0, 0), (30, 0)]).buffer(5.0, quad_segs=200)
    share = 2 * math.pi * 5 / slot.length
    assert outline_bend(slot) == pytest.approx(share * math.tanh(1.0), abs=0.02)


def test_the_digest_tells_outlines_apart():
    assert outline_digest(box(0, 0, 10, 10)) == outline_digest(Polygon([(10, 0), (10, 10), (0, 10), (0, 0)]))
    assert outline_digest(box(0, 0, 10, 10)) != outline_digest(box(0, 0, 10, 10.01))


@pytest.fixture(scope="module")
def panel():
    return cells(4, count=12, width_mm=90.0, height_mm=60.0).design()


def job_of(panel, **top):
    pieces = {p.id: {"material": "walnut"} for p in panel.pieces}
    return parse_job({"cut": {"power": 60, "speed": 12}, "pieces": pieces, **top}, source="job")


def panel_records(panel, jobs, base_mm):
    """Earlier jobs of pieces like those of the panel."""
    shapes = tuple(
        {"area_mm2": p.polygon.area, "perimeter_mm": p.polygon.length, "curvature": outline_bend(p.polygon)}
        for p in panel.pieces
    )
    return shop_records(jobs, base_mm=base_mm, shapes=shapes, materials={"walnut": 0.0})


def test_offsets_make_good_the_loss_less_half_the_aim(panel):
    book = panel_records(panel, 4, 0.09)
    start = starting_offsets(panel, job_of(panel), book)
    for one in start.pieces:
        assert not one.left
        assert one.offset_mm == pytest.approx(one.loss_mm - 0.015, abs=0.0006)
        assert one.chance > 0.9 > one.chance_given
    for seam in start.seams:
        assert seam.gap_mm == pytest.approx(0.03, abs=0.0015)
        assert seam.gap_given_mm == pytest.approx(0.18, abs=0.02)


def test_a_hairline_that_holds_is_left(panel):
    start = starting_offsets(panel, job_of(panel), panel_records(panel, 4, 0.025))
    assert all(one.left and one.offset_mm == 0.0 for one in start.pieces)
    assert all(one.chance == one.chance_given > 0.95 for one in start.pieces)


def test_kept_pieces_keep_their_offset_and_no_record_changes_nothing(panel):
    job = job_of(panel, tolerance_mm=0.1)
    names = [p.id for p in panel.pieces]
    kept = parse_job(
        {"cut": {"power": 60, "speed": 12}, "pieces": {names[0]: {"keep": True, "offset_mm": 0.02}}}, source="j"
    )
    start = starting_offsets(panel, kept, shop_records(4, base_mm=0.09))
    assert next(p for p in start.pieces if p.piece == names[0]).offset_mm == 0.02
    nothing = starting_offsets(panel, job, ())
    assert all(one.left and one.chance is None for one in nothing.pieces)


def test_a_smaller_loss_never_asks_for_a_larger_offset(panel):
    offsets = [
        np.mean([p.offset_mm for p in starting_offsets(panel, job_of(panel), shop_records(3, base_mm=base)).pieces])
        for base in (0.03, 0.06, 0.09, 0.12)
    ]
    assert offsets == sorted(offsets)
