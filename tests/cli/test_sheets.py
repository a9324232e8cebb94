"""``gapscan sheets``: what it writes, says and refuses."""

import json
from dataclasses import replace

import pytest

from gapscan.cli.main import run
from gapscan.job import parse_job
from gapscan.report.writers import write_outputs
from tests.report.specimens import grid_inspection, recordable


@pytest.fixture
def folder(tmp_path):
    job = parse_job(
        {"pieces": {"p01": {"facing": "down", "material": "walnut"}, "*": {"material": "oak"}}}, source="job"
    )
    write_outputs(replace(recordable(grid_inspection()), job=job), tmp_path / "result")
    return tmp_path / "result"


def test_sheets_beside_the_results(folder, capsys):
    assert run(["sheets", str(folder), "--sheet-per", "facing", "--dxf"]) == 0
    assert sorted(p.name for p in (folder / "sheets").iterdir()) == [
        "proof.svg", "recut.dxf", "sheet-face-down.dxf", "sheet-face-down.svg", "sheet-face-up.dxf", "sheet-face-up.svg",
        "sheets.json",
    ]  # fmt: skip
    said = capsys.readouterr().out
    assert "p01 (mirrored)" in said
    assert "MIRRORED" in said
    assert "machine's manual" in said


def test_json(folder, capsys):
    assert run(["sheets", str(folder), "--json", "--sheet-per", "material"]) == 0
    table = json.loads(capsys.readouterr().out)
    assert {p["id"] for s in table["sheets"] for p in s["pieces"]} == {"p01", "p02"}


def test_nothing_to_cut(tmp_path, capsys):
    write_outputs(recordable(grid_inspection(recut=0)), tmp_path / "r")
    assert run(["sheets", str(tmp_path / "r")]) == 0
    assert "no piece is to be cut again" in capsys.readouterr().out
    assert not (tmp_path / "r" / "sheets").exists()


@pytest.mark.parametrize(("arguments", "said"), [
    (["--bed", "20x20"], "too small for piece"),
    (["--bed", "0x20"], "--bed 0x20: sides must be above 0"),
    (["--gap", "-1"], "--gap -1: must lie between"),
    (["--gap", "nan"], "--gap nan: must lie between"),
    (["--bed", "99999x10"], "--bed 99999x10"),
])  # fmt: skip
def test_refusals(folder, capsys, arguments, said):
    assert run(["sheets", str(folder), *arguments]) == 2
    assert said in capsys.readouterr().err
    assert not (folder / "sheets").exists()


def test_a_second_run_asks_for_force(folder, capsys):
    assert run(["sheets", str(folder), "-q"]) == 0
    assert run(["sheets", str(folder), "-q"]) == 2
    assert "--force" in capsys.readouterr().err
    assert run(["sheets", str(folder), "-q", "--force"]) == 0


def test_a_folder_without_results(tmp_path, capsys):
    assert run(["sheets", str(tmp_path)]) == 2
    assert "fit.json: is not there" in capsys.readouterr().err
