"""``gapscan plan``: another plan from the result folder alone."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from gapscan.cli.main import run
from gapscan.report.writers import PLAN_FILES, write_outputs


@pytest.fixture(scope="module")
def result(faulty_front, inspected, tmp_path_factory) -> Path:
    """A result folder as inspect writes it."""
    folder = tmp_path_factory.mktemp("plan") / "result"
    write_outputs(inspected(faulty_front), folder)
    return folder


def record_of(folder: Path) -> dict:
    return json.loads((folder / "fit.json").read_text(encoding="utf-8"))


def recuts(record: dict) -> set[str]:
    return {piece["id"] for piece in record["pieces"] if piece["verdict"] == "recut"}


def planned(result: Path, tmp_path: Path, *arguments: str) -> dict:
    out = tmp_path / "new"
    assert run(["plan", str(result), "--out", str(out), "-q", *arguments]) == 0
    assert sorted(p.name for p in out.iterdir()) == sorted(PLAN_FILES)
    return record_of(out)


def test_the_same_settings_give_the_same_plan(result, tmp_path):
    again, first = planned(result, tmp_path), record_of(result)
    assert recuts(first)
    assert again == first
    assert (tmp_path / "new" / "recut.svg").read_bytes() == (result / "recut.svg").read_bytes()
    assert (tmp_path / "new" / "pieces.csv").read_bytes() == (result / "pieces.csv").read_bytes()


def test_a_plan_of_a_plan_is_the_same_again(result, tmp_path):
    planned(result, tmp_path, "--tolerance", "0.2")
    shutil.move(tmp_path / "new", tmp_path / "wide")
    assert planned(tmp_path / "wide", tmp_path, "--tolerance", "0.1") == record_of(result)


def test_a_wider_tolerance_never_asks_for_more(result, tmp_path):
    counts = []
    for number, tolerance in enumerate(("0.06", "0.08", "0.1", "0.13", "0.2", "1.0")):
        (tmp_path / str(number)).mkdir()
        counts.append(len(recuts(planned(result, tmp_path / str(number), "--tolerance", tolerance))))
    assert counts == sorted(counts, reverse=True)
    assert counts[-1] == 0 < counts[2]


def test_what_is_kept_is_not_recut(result, tmp_path):
    name = sorted(recuts(record_of(result)))[0]
    again = planned(result, tmp_path, "--keep", name)
    assert name not in recuts(again)
    # the settings go with the plan, and can be taken back
    shutil.move(tmp_path / "new", tmp_path / "kept")
    assert recuts(planned(tmp_path / "kept", tmp_path, "--free", name)) == recuts(record_of(result))


def test_only_one_facing_is_recut(result, tmp_path, faulty_front, inspected):
    job = inspected(faulty_front).job
    again = planned(result, tmp_path, "--facing", "down")
    assert all(job.settings(name).facing == "down" for name in recuts(again))


def test_measured_figures_and_evidence_stay(result, tmp_path):
    first, again = record_of(result), planned(result, tmp_path, "--tolerance", "0.3")
    assert again["seams"] == first["seams"]
    for before, after in zip(first["pieces"], again["pieces"], strict=True):
        for key in ("undersize_mm", "shift_mm", "turn_deg", "cause_by_evidence", "cause_probability"):
            assert after[key] == before[key]


def test_without_out_nothing_is_written(result, capsys):
    before = {p.name: p.read_bytes() for p in result.iterdir()}
    assert run(["plan", str(result), "--tolerance", "0.2"]) == 0
    assert {p.name: p.read_bytes() for p in result.iterdir()} == before
    assert "Against the stored plan" in capsys.readouterr().out


def test_a_folder_whose_pictures_show_another_plan_is_refused(result, capsys):
    before = {p.name: p.read_bytes() for p in result.iterdir()}
    assert run(["plan", str(result), "--out", str(result)]) == 2
    assert "give --out a new folder" in capsys.readouterr().err
    assert {p.name: p.read_bytes() for p in result.iterdir()} == before


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--keep", "nobody-*"), "no piece"),
        (("--keep", "*", "--free", "*"), "both name"),
        (("--tolerance", "nan"), "tolerance"),
        (("--tolerance", "-1"), "tolerance"),
        (("--cost", "p03"), "PATTERN=2"),
        (("--cost", "p*=nan"), "PATTERN=2"),
        (("--job", "missing.toml"), "missing.toml"),
    ],
)
def test_wishes_that_make_no_sense(result, capsys, arguments, words):
    assert run(["plan", str(result), *arguments]) == 2
    told = capsys.readouterr().err.strip()
    assert words in told
    assert len(told.splitlines()) == 1


def _broken(record: dict, kind: str) -> str:
    if kind == "cut short":
        return json.dumps(record)[:5000]
    if kind == "NaN":
        record["plan"]["runs"]["seated_mm"][0] = float("nan")
    if kind == "infinite":
        return json.dumps(record).replace(
            f'"seated_mm": [{record["plan"]["runs"]["seated_mm"][0]}', '"seated_mm": [1e999'
        )
    if kind == "newer":
        record["schema"] = "gapscan.fit/2"
    if kind == "older":
        del record["plan"]
    if kind == "a list":
        return "[]"
    if kind == "no pieces":
        record["pieces"] = []
    if kind == "runs lost":
        record["plan"]["runs"]["seated_mm"].pop()
    if kind == "a name for a number":
        record["plan"]["pieces"]["undersize_mm"][0] = "wide"
    return json.dumps(record)


@pytest.mark.parametrize(
    "kind",
    ["cut short", "NaN", "infinite", "newer", "older", "a list", "no pieces", "runs lost", "a name for a number"],
)
def test_a_damaged_record_is_one_sentence(result, tmp_path, capsys, kind):
    folder = tmp_path / "damaged"
    folder.mkdir()
    (folder / "fit.json").write_text(_broken(record_of(result), kind), encoding="utf-8")
    assert run(["plan", str(folder), "--out", str(tmp_path / "new")]) == 2
    told = capsys.readouterr().err.strip()
    assert "fit.json" in told
    assert "inspect" in told
    assert len(told.splitlines()) == 1
    assert not (tmp_path / "new").exists()


def test_a_folder_without_a_record(tmp_path, capsys):
    assert run(["plan", str(tmp_path)]) == 2
    assert "fit.json" in capsys.readouterr().err


def test_photo_and_picture_code_are_not_needed(result, tmp_path):
    code = (
        "import sys; from gapscan.cli.main import run; "
        f"code = run(['plan', {str(result)!r}, '--tolerance', '0.12', '-q', '--out', {str(tmp_path / 'new')!r}]);"
        "print(sorted({'cv2', 'skimage', 'PIL', 'jinja2'} & set(sys.modules))); sys.exit(code)"
    )
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    started = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False, env=environment
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"
    assert time.perf_counter() - started < 5.0  # a busy machine; it takes well under one second alone


def test_the_plan_in_words_names_what_changed(result, capsys):
    name = sorted(recuts(record_of(result)))[0]
    assert run(["plan", str(result), "--keep", name]) == 0
    assert f"Left the recut list: {name}" in " ".join(capsys.readouterr().out.split())
