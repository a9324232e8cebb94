"""The job file's [air] and how a veneer was sawn."""

from __future__ import annotations

import tomllib

import pytest

from gapscan.errors import InputError
from gapscan.job import Air, Job, parse_job
from gapscan.recut.job_table import job_table


def read(text: str) -> Job:
    return parse_job(tomllib.loads(text), source="job.toml")


def test_both_airs():
    job = read('[air]\ncut_rh_percent = 38\nuse_rh_percent = 45\nuse_celsius = 22\n[pieces.p01]\nsawn = "quarter"')
    assert job.air == Air(38.0, 45.0, 20.0, 22.0)
    assert job.settings("p01").sawn == "quarter"
    assert job.settings("p02").sawn == ""
    assert Job().air is None
    table = job_table(job)
    again = parse_job({k: v for k, v in table.items() if k != "pieces"}, source="again")
    assert again.air == job.air
    assert "air" not in job_table(Job())


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("air = 40", ("[air]", "table")),
        ("[air]\ncut_rh_percent = 40", ("needs use_rh_percent",)),
        ("[air]\nuse_rh_percent = 40\nuse_celsius = 20", ("needs cut_rh_percent",)),
        ("[air]\ncut_rh_percent = 0.4\nuse_rh_percent = 40", ("air.cut_rh_percent", "between 5.0 and 95.0")),
        ("[air]\ncut_rh_percent = 40\nuse_rh_percent = 140", ("air.use_rh_percent", "between 5.0 and 95.0")),
        ("[air]\ncut_rh_percent = 40\nuse_rh_percent = nan", ("air.use_rh_percent", "number")),
        ("[air]\ncut_rh_percent = 40\nuse_rh_percent = true", ("air.use_rh_percent", "number")),
        (
            "[air]\ncut_rh_percent = 40\nuse_rh_percent = 45\ncut_celsius = 70",
            ("air.cut_celsius", "between 0.0 and 60.0"),
        ),
        ("[air]\nhumidity = 40", ("air.humidity", "air.cut_rh_percent")),
        ('[pieces.p01]\nsawn = "plain"', ("pieces.p01.sawn", "'flat', 'quarter'")),
        ("[pieces.p01]\nsawn = 1", ("pieces.p01.sawn", "'flat', 'quarter'")),
    ],
)
def test_what_is_refused(text, words):
    with pytest.raises(InputError) as refused:
        read(text)
    for word in (*words, "job.toml"):
        assert word in str(refused.value)
