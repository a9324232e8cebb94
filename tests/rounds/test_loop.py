"""Rounds of a simulated job whose cuts give four fifths of what is asked; the simulator's geometry is the judge."""

from __future__ import annotations

import hashlib
import json
import math

import numpy as np
import pytest

from gapscan.cli.main import run
from gapscan.design.read import read_design
from gapscan.recut.offset import offset_outline
from tests.rounds.conftest import GIVEN


def test_the_hidden_response_is_found(worked):
    """Seen within 3 standard uncertainties, and stated to a few percent, after one round."""
    block = worked.record(2)["round"]
    assert block["number"] == 2
    assert block["after"] == "round1"
    assert abs(block["response"] - GIVEN) < 3 * block["response_standard_uncertainty"] < 0.15
    assert block["response_believed"]
    for piece in block["pieces"]:
        assert piece["finding"] == "got less"
        true = worked.true_undersize_mm[0][piece["id"]] - worked.true_undersize_mm[1][piece["id"]]
        assert abs(piece["got_change_mm"] - true) < 3 * piece["got_standard_uncertainty_mm"]


def test_the_next_advice_uses_it(worked):
    """Asked for is what is wanted over the response, and what comes of it is what was wanted."""
    (name,) = worked.changes(2)
    (piece,) = [p for p in worked.record(2)["pieces"] if p["id"] == name]
    response, u_response = piece["response"]
    assert response == pytest.approx(worked.record(2)["round"]["response"], abs=1e-4)
    wanted = piece["offset_change_mm"] * response
    got = worked.true_undersize_mm[1][name] - worked.true_undersize_mm[2][name]
    assert got == pytest.approx(wanted, abs=0.01)
    assert abs(got - piece["offset_change_mm"]) > 0.02  # as asked it would have come out otherwise
    # the response's own uncertainty is in that of the change
    assert piece["standard_uncertainty_mm"] > piece["offset_change_mm"] * u_response / response


def test_offsets_are_carried_along(worked):
    third = worked.record(3)["round"]["offsets_mm"]
    for name, offsets in third.items():
        total, expected = 0.0, [0.0]
        for number in (1, 2):
            if name in worked.changes(number):
                total += worked.changes(number)[name]
                expected.append(total)
        assert offsets == pytest.approx(expected, abs=1e-3)


def test_the_new_outline_is_the_drawn_one_at_the_whole_offset(worked):
    first, second = worked.changes(1), worked.changes(2)
    pieces = read_design(worked.folders[1] / "recut.svg").pieces
    assert {piece.id for piece in pieces} == set(second)
    for piece in pieces:
        drawn = worked.shop.first.design.piece(piece.id).polygon
        whole = offset_outline(drawn, first[piece.id] + second[piece.id])
        assert piece.polygon.symmetric_difference(whole).area / whole.length < 0.003
        assert piece.polygon.symmetric_difference(offset_outline(drawn, second[piece.id])).area / whole.length > 0.1


def test_seams_are_held_against_the_round_before(worked):
    seams = {seam["id"]: seam for seam in worked.record(3)["round"]["seams"]}
    recut = set(worked.changes(2))
    right = [s for s in seams.values() if s["verdict"] == "came right"]
    assert right
    assert all(recut & set(s["id"].split("|")) for s in right)
    for seam in seams.values():
        assert (seam["now"] == "wide") == (seam["now_widest_mm"] is not None and seam["now_widest_mm"] > 0.1)
        if seam["before_widest_mm"] is not None:
            assert seam["before_standard_uncertainty_mm"] > 0


@pytest.mark.parametrize("number", [2, 3])
def test_a_new_plan_keeps_the_round_and_its_response(worked, tmp_path, capsys, number):
    assert run(["plan", str(worked.folders[number - 1]), "--out", str(tmp_path / "new"), "-q"]) == 0
    again = json.loads((tmp_path / "new" / "fit.json").read_text(encoding="utf-8"))
    assert again == worked.record(number)
    assert (tmp_path / "new" / "recut.svg").read_bytes() == (worked.folders[number - 1] / "recut.svg").read_bytes()
    assert run(["plan", str(worked.folders[number - 1])]) == 0
    response = worked.record(number)["round"]["response"]
    assert f"Round {number}, after round{number - 1}: of an asked change {response:.2f} ±" in capsys.readouterr().out
    # and with other settings
    assert (
        run(["plan", str(worked.folders[number - 1]), "--tolerance", "0.05", "--out", str(tmp_path / "w"), "-q"]) == 0
    )
    tighter = json.loads((tmp_path / "w" / "fit.json").read_text(encoding="utf-8"))
    assert tighter["round"] == again["round"]
    recut = [p for p in tighter["pieces"] if p["verdict"] == "recut"]
    assert recut
    assert all(p["response"][0] == pytest.approx(again["round"]["response"], abs=1e-4) for p in recut)


def test_a_piece_that_was_not_recut(worked, tmp_path, capsys):
    """The same photo given as the next round: nothing changed, so nothing was recut and no offset moved."""
    shoot = worked.shop.first
    out = tmp_path / "again"
    code = run(
        ["inspect", str(shoot.design_path), str(shoot.photo_path), "--frame", str(shoot.frame_path), "--job",
         str(shoot.job_path), "--after", str(worked.folders[0]), "--out", str(out)]
    )  # fmt: skip
    assert code == 0
    told = " ".join(capsys.readouterr().out.split())
    record = json.loads((out / "fit.json").read_text(encoding="utf-8"))
    for name in worked.changes(1):
        assert f"{name} looks as if this piece was not recut" in told
    assert record["round"]["offsets_mm"] == {}
    assert record["round"]["response_pieces"] == 0
    again = {p["id"]: p["offset_change_mm"] for p in record["pieces"] if p["verdict"] == "recut"}
    assert again == pytest.approx(worked.changes(1), abs=0.003)


def test_job_file_and_records(worked, tmp_path, capsys):
    """The new total in the job file says the same as the records; another figure wins, and a line says so."""
    shoot = worked.shop.first
    photo = worked.shop.folder / "photo2.jpg"
    (a, change_a), (b, change_b) = sorted(worked.changes(1).items())
    job = tmp_path / "job.toml"
    text = shoot.job_path.read_text(encoding="utf-8")
    for name, offset in ((a, change_a), (b, 0.30)):
        text = text.replace(f"[pieces.{name}]\n", f"[pieces.{name}]\noffset_mm = {offset}\n")
    job.write_text(text, encoding="utf-8")
    code = run(
        ["inspect", str(shoot.design_path), str(photo), "--frame", str(shoot.frame_path), "--job", str(job), "--after",
         str(worked.folders[0]), "--out", str(tmp_path / "two")]
    )  # fmt: skip
    assert code == 0
    told = " ".join(capsys.readouterr().out.split())
    assert f"add up to for {b}; the job file's is used" in told
    record = json.loads((tmp_path / "two" / "fit.json").read_text(encoding="utf-8"))
    assert record["round"]["offsets_mm"] == {a: [0.0, change_a], b: [0.0, 0.3]}
    asked = {p["id"]: p["asked_change_mm"] for p in record["round"]["pieces"]}
    assert asked == pytest.approx({a: change_a, b: 0.3})
    assert change_b != 0.3


def test_without_a_job_file_the_settings_of_the_round_before_hold(worked, tmp_path):
    shoot = worked.shop.first
    photo = worked.shop.folder / "photo2.jpg"
    code = run(
        ["inspect", str(shoot.design_path), str(photo), "--frame", str(shoot.frame_path), "--after",
         str(worked.folders[0]), "--out", str(tmp_path / "two"), "-q"]
    )  # fmt: skip
    assert code == 0
    assert json.loads((tmp_path / "two" / "fit.json").read_text(encoding="utf-8")) == worked.record(2) | {
        "photos": json.loads((tmp_path / "two" / "fit.json").read_text(encoding="utf-8"))["photos"]
    }


def test_uncertainty_of_the_response_is_honest_about_the_prior(worked):
    """Two cuts of some 0.4 mm measured to 0.005 mm leave nothing of a prior of ± 0.1: by hand 0.005·√2/0.4/√2 ≈ 0.013."""
    block = worked.record(2)["round"]
    each = [p["response_standard_uncertainty"] for p in block["pieces"]]
    alone = 1 / math.sqrt(sum(u**-2 for u in each))
    assert 0.9 * alone < block["response_standard_uncertainty"] < 2.5 * alone
    assert np.all(np.array(each) > 0.005)


def test_the_first_round_is_left_as_it_was(worked):
    assert "round" not in worked.record(1)
    assert "past" not in worked.record(1)["plan"]
    assert all(p["response"] is None for p in worked.record(1)["pieces"])
    raw = (worked.folders[0] / "fit.json").read_bytes()
    assert worked.record(2)["round"]["after_sha256"] == hashlib.sha256(raw).hexdigest()
