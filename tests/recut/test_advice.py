"""Advice that costs nothing comes before any recut, and says what it rests on."""

from __future__ import annotations

from gapscan.job import parse_job
from gapscan.recut.advice import advise
from gapscan.recut.types import Cause, PieceDecision, RecutPlan


def decision(name, verdict="keep", reseat=None):
    change = 0.1 if verdict == "recut" else 0.0
    return PieceDecision(name, verdict, change, 0.005, "", 0.15, reseat, None)


def plan(*decisions, causes=()):
    return RecutPlan(tuple(decisions), True, (), (), piece_causes=tuple(causes))


def job(**given):
    return parse_job(given, source="test")


def test_nothing_to_mend_nothing_to_say():
    assert advise(plan(decision("a"), decision("b")), job()) == ()


def test_seats_come_first_with_direction_and_amount():
    told = advise(plan(decision("a", reseat=(-0.07, 0.021)), decision("b", "recut")), job())
    assert "seat this piece again" in told[0]
    assert "a (0.07 mm left, 0.02 mm down)" in told[0]
    assert "face down" in told[1]


def test_a_piece_that_is_recut_is_not_seated_again():
    assert not any("seat" in t for t in advise(plan(decision("b", "recut", reseat=(0.1, 0.0))), job()))


def test_facing_is_advised_only_where_walls_lean_and_the_beam_entered_the_show_face():
    up = plan(decision("b", "recut"))
    assert any("face down" in t and "0.02 mm" in t and "no source" in t for t in advise(up, job()))
    assert not any("face down" in t for t in advise(up, job(cut={"taper_deg": 0.2})))
    assert not any("face down" in t for t in advise(up, job(pieces={"b": {"facing": "down"}})))


def test_settings_are_advised_for_the_material_that_loses_more_with_the_caution():
    causes = [Cause(n, "more loss in lime", 0.95, 0.06, "") for n in ("b", "c")]
    told = advise(
        plan(decision("b", "recut"), decision("c"), causes=causes),
        job(pieces={"b": {"material": "lime", "facing": "down"}, "c": {"material": "lime"}}),
    )
    assert told[0].startswith("For lime, try closer-set pulses")
    assert "no source" in told[0]
    assert "manual" in told[-1]


def test_long_lists_are_cut_short():
    many = plan(*(decision(f"p{k:02d}", reseat=(0.08, 0.0)) for k in range(9)))
    assert "and 3 more" in advise(many, job())[0]
