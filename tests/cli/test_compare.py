"""``gapscan compare``: two result folders in, one plain sentence out."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from gapscan.cli.main import run
from gapscan.report.writers import write_outputs

_MORE_MM = 0.04


@pytest.fixture(scope="module")
def folders(studio, tmp_path_factory) -> tuple[Path, Path, float]:
    """Two cuts of the same cells, photographed and inspected: in B every piece loses 0.04 mm more, and its sheet is said to
    be thicker; and the true difference of the loss."""
    place = tmp_path_factory.mktemp("compare")
    first = studio.shoot("trial-a", seed=21)
    second = studio.shoot("trial-b", undersize_mm=dict.fromkeys(range(10), _MORE_MM), seed=22)
    with second.job_path.open("a", encoding="utf-8") as job:
        job.write('\n[pieces."*"]\nmaterial = "walnut"\n')
    for shoot, name in ((first, "a"), (second, "b")):
        write_outputs(shoot.inspect(), place / name)
    true = np.mean([piece.undersize_mm for piece in second.fit.pieces])
    true -= np.mean([piece.undersize_mm for piece in first.fit.pieces])
    return place / "a", place / "b", float(true)


def compared(capsys, *arguments: str) -> dict:
    assert run(["compare", "--json", *arguments]) == 0
    return json.loads(capsys.readouterr().out)


def test_a_hidden_difference_is_found_through_the_photos(folders, capsys):
    a, b, true = folders
    found = compared(capsys, str(a), str(b))
    whole = found["loss"]["all"]["difference"]
    print(found)
    assert found["finding"] == "larger"
    assert whole["interval_95_mm"][0] <= true <= whole["interval_95_mm"][1]
    assert abs(whole["mean_mm"] - true) < 0.01
    assert whole["count"] == 10
