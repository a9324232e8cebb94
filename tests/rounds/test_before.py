"""Result folders that cannot be the round before: one sentence that names the file, the fault and the way out."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace

import pytest
from shapely.affinity import translate

from gapscan.cli.main import run
from gapscan.errors import InputError
from gapscan.rounds.before import read_before, refuse_other_design


def edited(folder, tmp_path, edit):
    """A copy of a result folder with another record."""
    copy = tmp_path / "edited"
    shutil.copytree(folder, copy)
    record = json.loads((copy / "fit.json").read_text(encoding="utf-8"))
    record = edit(record) or record
    (copy / "fit.json").write_text(record if isinstance(record, str) else json.dumps(record), encoding="utf-8")
    return copy


def complaint(capsys) -> str:
    told = capsys.readouterr().err.strip()
    assert len(told.splitlines()) == 1
    return told


def inspected(worked, after, out, design=None) -> int:
    shoot = worked.shop.first
    return run(
        ["inspect", str(design or shoot.design_path), str(shoot.photo_path), "--frame", str(shoot.frame_path), "--after",
         str(after), "--out", str(out), "-q"]
    )  # fmt: skip


def test_what_it_reads(worked):
    first, third = read_before(worked.folders[0]), read_before(worked.folders[2])
    assert (first.number, first.name, first.earlier) == (1, "round1", {})
    assert first.changes == worked.changes(1)
    assert (first.prior.figure, first.prior.u) == (1.0, 0.1)
    assert third.number == 3
    assert third.prior.figure == pytest.approx(worked.record(3)["round"]["response"], abs=1e-4)
    assert {name: third.offsets[name] for name in third.earlier} == {
        name: offsets[-1] for name, offsets in third.earlier.items()
    }


def test_another_design_is_refused_and_names_pieces(worked, studio, tmp_path, capsys):
    assert inspected(worked, worked.folders[0], tmp_path / "two", design=studio.other_drawing) == 2
    told = complaint(capsys)
    assert "round1: is of another design" in told
    assert "other outlines: p01" in told
    assert not (tmp_path / "two").exists()


def test_pieces_that_come_or_go_are_named(worked):
    before, design = read_before(worked.folders[0]), worked.shop.first.design
    for pieces, words in (
        (design.pieces[:-1], r"only the round before has p10\)"),
        ((*design.pieces, replace(design.pieces[0], id="extra")), r"it lacks extra\)"),
        (
            (replace(design.pieces[0], polygon=translate(design.pieces[0].polygon, 0.05)), *design.pieces[1:]),
            r": p01\)",
        ),
    ):
        with pytest.raises(InputError, match=words):
            refuse_other_design(before, replace(design, pieces=pieces), source="design.svg", folder=worked.folders[0])


def test_the_same_design_saved_with_other_points_is_the_same(worked):
    before, design = read_before(worked.folders[0]), worked.shop.first.design
    denser = tuple(replace(p, polygon=p.polygon.segmentize(0.7)) for p in design.pieces)
    refuse_other_design(before, replace(design, pieces=denser), source="design.svg", folder=worked.folders[0])


def test_no_record_there(worked, tmp_path, capsys):
    assert inspected(worked, tmp_path / "nowhere", tmp_path / "two") == 2
    assert "fit.json: is not there" in complaint(capsys)


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (lambda r: r.update(schema="gapscan.fit/2"), "no fit record of this version"),
        (lambda r: r.pop("plan"), "older version"),
        (lambda r: "{" + json.dumps(r)[1:4000], "not valid JSON"),
        (lambda r: r["pieces"][0].update(verdict="perhaps"), "damaged"),
        (lambda r: r["pieces"][4].update(offset_change_mm=None), "damaged"),
        (lambda r: r["round"].update(number=1), "damaged"),
        (lambda r: r["round"].update(number="two"), "damaged"),
        (lambda r: r["round"].update(offsets_mm={"nobody": [0.0, 0.1]}), "damaged"),
        (lambda r: r["round"].update(offsets_mm={"p05": []}), "damaged"),
        (lambda r: r["round"].update(offsets_mm={"p05": ["wide"]}), "damaged"),
        (lambda r: r["round"].update(after_sha256=7), "damaged"),
        (lambda r: r.update(round=[]), "damaged"),
        (lambda r: r["plan"]["past"].update(response=[0.0, 0.0]), "damaged"),
    ],
)
def test_a_damaged_record_is_one_sentence(worked, tmp_path, capsys, edit, words):
    folder = edited(worked.folders[1], tmp_path, lambda record: _text_or_none(edit(record)))
    assert inspected(worked, folder, tmp_path / "two") == 2
    told = complaint(capsys)
    assert "fit.json" in told
    assert words in told
    assert not (tmp_path / "two").exists()


def _text_or_none(value):
    return value if isinstance(value, str) and value.startswith("{") else None


def test_the_results_may_not_replace_the_round_before(worked, capsys):
    raw = (worked.folders[0] / "fit.json").read_bytes()
    assert inspected(worked, worked.folders[0], worked.folders[0]) == 2
    assert "give --out a new folder" in complaint(capsys)
    assert (worked.folders[0] / "fit.json").read_bytes() == raw
