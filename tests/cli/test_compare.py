"""``gapscan compare``: two result folders in, one plain sentence out."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
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
    assert found["finding"] == "larger"
    assert whole["interval_95_mm"][0] <= true <= whole["interval_95_mm"][1]
    assert abs(whole["mean_mm"] - true) < 0.01
    assert whole["count"] == 10
    assert found["different_in_the_cut"] == ["material of all pieces: not told in A, walnut in B"]


def test_the_other_way_round_says_smaller(folders, capsys):
    a, b, _ = folders
    there, back = compared(capsys, str(a), str(b)), compared(capsys, str(b), str(a))
    assert back["finding"] == "smaller"
    assert back["loss"]["all"]["difference"]["mean_mm"] == -there["loss"]["all"]["difference"]["mean_mm"]
    assert [s["difference_mm"] for s in back["seams"]] == [-s["difference_mm"] for s in there["seams"]]


def test_gaps_differ_by_twice_the_loss(folders, capsys):
    """Both sides of a seam lose: of the gaps as taped the mean moves by twice the difference."""
    a, b, true = folders
    gaps = compared(capsys, str(a), str(b))["mean_gap"]
    assert gaps["interval_95_mm"][0] <= 2 * true <= gaps["interval_95_mm"][1]


def test_the_list_in_words(folders, capsys):
    a, b, _ = folders
    assert run(["compare", str(a), str(b)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "B leaves larger gaps: 0.0" in told
    assert "walnut in B" in told
    assert "±" in told
    assert "all pieces 10" in told


def test_a_picture_on_request_and_nothing_else_is_written(folders, tmp_path, capsys):
    a, b, _ = folders
    before = {p.name: p.read_bytes() for p in a.iterdir()}
    out = tmp_path / "intervals.svg"
    assert run(["compare", str(a), str(b), "--out", str(out)]) == 0
    capsys.readouterr()
    assert ElementTree.parse(out).getroot().tag.endswith("svg")
    assert [p.name for p in tmp_path.iterdir()] == ["intervals.svg"]
    assert {p.name: p.read_bytes() for p in a.iterdir()} == before


def _copy(folder: Path, to: Path, change=lambda record: record) -> Path:
    to.mkdir()
    record = json.loads((folder / "fit.json").read_text(encoding="utf-8"))
    (to / "fit.json").write_text(json.dumps(change(record)), encoding="utf-8")
    return to


def _other_names(record: dict) -> dict:
    return json.loads(json.dumps(record).replace("p01", "q01"))


def _nothing_seen(record: dict) -> dict:
    for piece in record["pieces"]:
        piece["seen_fraction"] = 0.0
    return record


def _without_covariance(record: dict) -> dict:
    del record["plan"]["size_covariance"]
    return record


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (_other_names, "not of one drawing (only in a: p01"),
        (_nothing_seen, "no piece was seen in both"),
        (_without_covariance, "damaged"),
        (lambda record: record, "one and the same dry fit"),
        (lambda record: record | {"schema": "gapscan.fit/9"}, "inspect once more"),
    ],
)
def test_what_cannot_be_compared_is_one_sentence(folders, tmp_path, capsys, change, words):
    a, b, _ = folders
    base = a if words == "one and the same dry fit" else b
    assert run(["compare", str(a), str(_copy(base, tmp_path / "other", change))]) == 2
    told = capsys.readouterr().err.strip()
    assert words in told
    assert len(told.splitlines()) == 1


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("{a}", "{a}"), "given twice"),
        (("{a}", "{tmp}"), "fit.json: is not there"),
        (("{a}", "{b}", "--out", "{tmp}/x.png"), "ends in .svg"),
        (("{a}", "{b}", "--out", "{tmp}/none/x.svg"), "cannot be written"),
        (("{a}", "{b}", "--worth", "nan"), "worth"),
        (("{a}", "{b}", "--worth", "0"), "worth"),
    ],
)
def test_arguments_that_cannot_be_used(folders, tmp_path, capsys, arguments, words):
    a, b, _ = folders
    given = [text.format(a=a, b=b, tmp=tmp_path) for text in arguments]
    assert run(["compare", *given]) == 2
    assert words in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_moved_folder_is_the_same_trial(folders, tmp_path, capsys):
    a, b, _ = folders
    shutil.copytree(b, tmp_path / "b")
    assert compared(capsys, str(a), str(tmp_path / "b")) == compared(capsys, str(a), str(b))


def test_picture_code_is_not_needed(folders):
    a, b, _ = folders
    code = (
        "import sys; from gapscan.cli.main import run; "
        f"code = run(['compare', {str(a)!r}, {str(b)!r}]);"
        "print(sorted({'cv2', 'skimage', 'PIL', 'jinja2'} & set(sys.modules))); sys.exit(code)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip().splitlines()[-1] == "[]"
