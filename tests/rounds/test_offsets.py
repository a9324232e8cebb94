import json
from types import SimpleNamespace

import pytest

from gapscan.errors import InputError
from gapscan.job import Job, parse_job
from gapscan.recut.job_table import job_table
from gapscan.rounds.offsets import chain_offsets, history_of, job_with, offset_lines, without


def before(offsets, changes, earlier=None):
    """As much of the round before as offsets are settled from."""
    return SimpleNamespace(offsets=offsets, changes=changes, earlier=earlier or {})


BEFORE = before({"a": 0.02, "b": 0.0, "c[1]": 0.0}, {"a": 0.1, "c[1]": -0.05})


def job(**offsets: float) -> Job:
    return parse_job({"pieces": {name: {"offset_mm": mm} for name, mm in offsets.items()}}, source="job")


def test_without_a_word_in_the_job_file_the_records_tell():
    found = chain_offsets(BEFORE, Job())
    assert found.mm == {"a": 0.12, "b": 0.0, "c[1]": -0.05}
    assert found.asked == pytest.approx({"a": 0.1, "c[1]": -0.05})
    settled = job_with(Job(), found)
    assert {name: settled.settings(name).offset_mm for name in found.mm} == found.mm
    assert offset_lines(found) == []


@pytest.mark.parametrize("given", [0.12, 0.1207, 0.1193])
def test_the_new_total_in_the_job_file_is_the_same_thing(given):
    found = chain_offsets(BEFORE, job(a=given))
    assert found.mm["a"] == 0.12
    assert found.told == {"a"}
    assert offset_lines(found) == []


def test_an_old_figure_in_the_job_file_gives_way():
    found = chain_offsets(BEFORE, job(a=0.02))
    assert found.mm["a"] == 0.12
    assert ["a" in line and "earlier round" in line for line in offset_lines(found)] == [True]
    assert job_with(job(a=0.02), found).settings("a").offset_mm == 0.12


def test_a_figure_of_two_rounds_ago_gives_way_too():
    third = before({"a": 0.12}, {"a": 0.03}, {"a": (0.02, 0.12)})
    for old in (0.02, 0.12):
        found = chain_offsets(third, job(a=old))
        assert found.mm["a"] == pytest.approx(0.15)
        assert found.outdated == ("a",)


def test_another_figure_wins_and_is_what_was_asked():
    found = chain_offsets(BEFORE, job(a=0.09, b=0.04))
    assert found.mm["a"] == 0.09
    assert found.mm["b"] == 0.04
    assert found.asked["a"] == pytest.approx(0.07)
    assert found.from_job == ("a", "b")
    (line,) = offset_lines(found)
    assert "a, b" in line


def test_patterns_count_as_a_word_of_the_job_file():
    wide = parse_job({"pieces": {"*": {"offset_mm": 0.3}}}, source="job")
    assert chain_offsets(BEFORE, wide).from_job == ("a", "b", "c[1]")
    silent = parse_job({"pieces": {"*": {"facing": "down"}}}, source="job")
    assert chain_offsets(BEFORE, silent).mm["a"] == 0.12


def test_what_was_not_recut_keeps_its_offset():
    found = without(chain_offsets(BEFORE, Job()), BEFORE, {"a"})
    assert found.mm["a"] == 0.02
    assert history_of(found, BEFORE) == {"c[1]": [0.0, -0.05]}


def test_history_grows_by_one_and_is_not_doubled():
    third = before({"a": 0.12, "b": 0.0}, {"a": 0.03}, {"a": (0.02, 0.12)})
    assert history_of(chain_offsets(third, Job()), third) == {"a": [0.02, 0.12, 0.15]}
    kept = before({"a": 0.12}, {}, {"a": (0.02, 0.12)})
    assert history_of(chain_offsets(kept, Job()), kept) == {"a": [0.02, 0.12]}


def test_settled_offsets_survive_the_record():
    settled = job_with(Job(), chain_offsets(BEFORE, Job()))
    table = json.loads(json.dumps(job_table(settled)))
    assert ["c[[]1]", {"offset_mm": -0.05}] in table["pieces"]


def test_more_than_a_job_file_may_hold_is_refused():
    far = before({"a": 4.9}, {"a": 0.4})
    with pytest.raises(InputError, match=r"a adds up to 5\.300 mm"):
        job_with(Job(), chain_offsets(far, Job()))
