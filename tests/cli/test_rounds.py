"""``gapscan rounds``, as called."""

from __future__ import annotations

import json
import shutil
import xml.etree.ElementTree as ET

import pytest

from gapscan.cli.main import run
from tests.rounds.conftest import worked  # noqa: F401  the fixture


def complaint(capsys) -> str:
    told = capsys.readouterr().err.strip()
    assert len(told.splitlines()) == 1
    return told


def test_the_list(worked, capsys):  # noqa: F811
    assert run(["rounds", *map(str, reversed(worked.folders))]) == 0
    told = capsys.readouterr().out
    assert told.index("round1") < told.index("round2") < told.index("round3")
    for name in worked.changes(1):
        assert f"{name}: offset +0.000 → {worked.changes(1)[name]:+.3f}" in told


def test_json_and_drawing(worked, tmp_path, capsys):  # noqa: F811
    out = tmp_path / "rounds.svg"
    assert run(["rounds", *map(str, worked.folders), "--json", "--out", str(out)]) == 0
    data = json.loads(capsys.readouterr().out)
    assert [one["number"] for one in data["rounds"]] == [1, 2, 3]
    assert ET.parse(out).getroot().tag.endswith("svg")
    assert [p.name for p in tmp_path.iterdir()] == ["rounds.svg"]


def test_one_round_is_a_history_too(worked, capsys):  # noqa: F811
    assert run(["rounds", str(worked.folders[0])]) == 0
    assert "2" in capsys.readouterr().out


def test_folders_that_do_not_belong_together(worked, tmp_path, capsys):  # noqa: F811
    one, two, three = worked.folders
    assert run(["rounds", str(one), str(two), str(one)]) == 2
    assert "given twice" in complaint(capsys)
    shutil.copytree(one, tmp_path / "copy")
    assert run(["rounds", str(one), str(tmp_path / "copy")]) == 2
    assert "the same record" in complaint(capsys)
    assert run(["rounds", str(one), str(three)]) == 2
    assert "folder round2" in complaint(capsys)
    assert run(["plan", str(two), "--tolerance", "0.15", "--out", str(tmp_path / "replanned"), "-q"]) == 0
    assert run(["rounds", str(one), str(two), str(tmp_path / "replanned")]) == 2
    assert "follows the same round" in complaint(capsys)
    assert run(["plan", str(one), "--tolerance", "0.15", "--out", str(tmp_path / "other"), "-q"]) == 0
    assert run(["rounds", str(one), str(tmp_path / "other")]) == 2
    assert "is a first round as" in complaint(capsys)


def test_another_design_among_them(worked, tmp_path, capsys):  # noqa: F811
    record = json.loads((worked.folders[0] / "fit.json").read_text(encoding="utf-8"))
    renamed = json.dumps(record).replace("p10", "q10")
    (tmp_path / "fit.json").write_text(renamed, encoding="utf-8")
    assert run(["rounds", str(worked.folders[1]), str(tmp_path)]) == 2
    told = complaint(capsys)
    assert "another design" in told
    assert "10" in told


@pytest.mark.parametrize(
    ("name", "words"), [("rounds.png", "ends in .svg"), ("", "is a folder"), ("nowhere/rounds.svg", "is no folder")]
)
def test_places_that_cannot_hold_the_drawing(worked, tmp_path, capsys, name, words):  # noqa: F811
    assert run(["rounds", str(worked.folders[0]), "--out", str(tmp_path / name)]) == 2
    assert words in complaint(capsys)
    assert list(tmp_path.iterdir()) == []


def test_no_record(tmp_path, capsys):
    assert run(["rounds", str(tmp_path)]) == 2
    assert "fit.json" in complaint(capsys)
    assert run(["rounds"]) == 2
