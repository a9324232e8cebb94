"""A job file with offsets written in: the reader gets them, everything else stays."""

import tomllib

import pytest

from gapscan.errors import InputError
from gapscan.job import parse_job
from gapscan.notebook.job_text import with_offsets

TEXT = """\
# my lid
tolerance_mm = 0.08   # tight
[cut]
power = 60
[pieces.p1]
material = "walnut"   # dark
offset_mm = 0.02
[pieces."p*"]
offset_mm = 0.05
facing = "down"
"""


def offsets_of(text, names):
    job = parse_job(tomllib.loads(text), source="job")
    return {name: job.settings(name).offset_mm for name in names}


def test_pieces_get_theirs_and_the_rest_stays():
    changed = with_offsets(TEXT, {"p1": 0.071, "p2": -0.01, "p3": 0.0}, source="job")
    assert offsets_of(changed, ("p1", "p2", "p3")) == {"p1": 0.071, "p2": -0.01, "p3": 0.0}
    for kept in ("# my lid", "# tight", "# dark", "power = 60", 'facing = "down"'):
        assert kept in changed
    job = parse_job(tomllib.loads(changed), source="job")
    assert (job.tolerance_mm, job.settings("p3").facing, job.settings("p1").material) == (0.08, "down", "walnut")


@pytest.mark.parametrize(
    "text", ["", "tolerance_mm = 0.2\n", "[pieces]\n", "pieces = {}\n", "pieces = {p1 = {keep = true}}\n"]
)
def test_any_layout(text):
    names = {"p1": 0.03, "leaf [a]": 0.04, 'quo"te': 0.05, "a.b": 0.06, "*": 0.07, "ünï 🍂": 0.01}
    changed = with_offsets(text, names, source="job")
    assert offsets_of(changed, names) == names


def test_what_is_no_job_is_refused():
    for bad in ("= 3", "pieces = 3\n", "pieces = [1]\n", "[pieces.p1]\noffset_mm = 'x'\nkeep = 3\n"):
        with pytest.raises(InputError):
            with_offsets(bad, {"p1": 0.1}, source="job")
