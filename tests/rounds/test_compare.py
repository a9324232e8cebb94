import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from gapscan.measure.types import GapSurvey, Reason
from gapscan.rounds.compare import piece_changes, seam_changes, seam_looks
from gapscan.rounds.types import Response, SeamLook
from gapscan.rounds.words import round_lines
from gapscan.solve.types import PieceFit, PieceState
from tests.report.specimens import seam_gaps, stations_on

LINE = stations_on((0, 0), (20, 0))


def look(gaps, seated=0.0, u=0.005):
    """How one seam is taken, whose single run is expected at ``seated``."""
    windows = SimpleNamespace(seated_mm=np.array([seated]), u_mm=np.array([u]), seam=np.array([0]))
    given = SimpleNamespace(windows=windows, seam_ids=(gaps.id,))
    return seam_looks(GapSurvey((gaps,), (), 1.0, ()), given, 0.10, 0.02)[gaps.id]


def test_a_seam_over_tolerance_is_wide():
    found = look(seam_gaps(("a", "b"), LINE, gap_mm=0.12))
    assert (found.state, found.gap_mm) == ("wide", pytest.approx(0.12))
    # 3 mm at 0.5 mm: six readings. own² = 0.012² − 0.004²; √(own²/6 + 0.004²) = 0.00611
    assert found.u_gap_mm == pytest.approx(0.00611, abs=1e-5)
    assert look(seam_gaps(("a", "b"), LINE, gap_mm=0.09)).state == "right"


def test_a_seam_presses_only_where_that_is_sure():
    closed = seam_gaps(("a", "b"), LINE, gap_mm=0.0)
    assert look(closed, seated=-0.06).state == "pressing"
    assert look(closed, seated=-0.06, u=0.03).state == "right"
    assert look(closed, seated=-0.01).state == "right"


def test_little_seen_is_not_called_right_but_wide_is_wide():
    most = slice(0, 34)
    hidden = seam_gaps(("a", "b"), LINE, gap_mm=0.03, hidden=most)
    assert look(hidden).state == "not seen"
    assert look(seam_gaps(("a", "b"), LINE, gap_mm=0.2, hidden=most)).state == "wide"
    dark = look(seam_gaps(("a", "b"), LINE, gap_mm=0.2, hidden=slice(None)))
    assert dark == SeamLook("not seen", None, None)


def test_what_can_hide_no_gap_over_tolerance_is_right():
    slanted = seam_gaps(("a", "b"), LINE, gap_mm=0.03, hidden=slice(None), reason=Reason.SLANT)
    assert look(slanted).state == "right"  # at most 0.08 hidden


@pytest.mark.parametrize(
    ("was", "now", "words"),
    [
        ("wide", "right", "came right"),
        ("pressing", "right", "came right"),
        ("wide", "wide", "still wide"),
        ("pressing", "pressing", "still pressing"),
        ("right", "wide", "newly wide"),
        ("pressing", "wide", "newly wide"),
        ("wide", "pressing", "newly pressing"),
        ("right", "pressing", "newly pressing"),
        ("right", "right", "right as before"),
        ("not seen", "wide", "wide now, not seen before"),
        ("wide", "not seen", "not seen now"),
        ("not seen", "not seen", "not seen now"),
    ],
)
def test_words_of_a_seam(was, now, words):
    looks = [{"a|b": SeamLook(state, 0.1, 0.01)} for state in (was, now)]
    assert [one.verdict for one in seam_changes(*looks)] == [words]


def test_a_seam_that_one_round_lacks():
    only = {"a|b": SeamLook("right", 0.02, 0.004)}
    assert [one.verdict for one in seam_changes(only, {})] == ["not seen now"]
    assert [one.verdict for one in seam_changes({}, only)] == ["right now, not seen before"]


def state(name, undersize, u=0.003, seen=0.9):
    return PieceState(name, undersize, u, (0.0, 0.0), (0.003, 0.003), 0.0, 0.02, 0.0, 0.01, seen)


def changes(was, now, asked):
    before = SimpleNamespace(inspection=SimpleNamespace(fit=SimpleNamespace(pieces=(was,))))
    fit = PieceFit((now,), np.zeros((4, 4)), 0.0, 0.0, 0.0, 0.0)
    (found,) = piece_changes(before, fit, asked)
    return found


@pytest.mark.parametrize(
    ("was", "now", "asked", "finding"),
    [
        (0.12, 0.02, {"a": 0.10}, "as asked"),
        (0.12, 0.05, {"a": 0.10}, "got less"),
        (0.12, -0.01, {"a": 0.10}, "got more"),
        (0.12, 0.115, {"a": 0.10}, "not recut"),
        (0.12, 0.15, {"a": 0.10}, "went the other way"),
        (-0.08, -0.01, {"a": -0.07}, "as asked"),
        (0.010, 0.005, {"a": 0.006}, "too little to tell"),
        (0.02, 0.025, {}, "as it was"),
        (0.02, 0.00, {}, "changed"),
    ],
)
def test_findings_of_a_piece(was, now, asked, finding):
    """u of a change: √2 · 0.003 = 0.0042 mm."""
    found = changes(state("a", was), state("a", now), asked)
    assert found.finding == finding
    assert found.got_mm == pytest.approx(was - now)
    assert found.u_got_mm == pytest.approx(math.sqrt(2) * 0.003)
    if asked:
        assert found.response == pytest.approx((was - now) / asked["a"])
        assert found.u_response == pytest.approx(found.u_got_mm / abs(asked["a"]))


def test_a_piece_that_one_round_did_not_see():
    for was, now in ((state("a", 0.1, seen=0.0), state("a", 0.0)), (state("a", 0.1), state("a", 0.0, seen=0.0))):
        found = changes(was, now, {"a": 0.1})
        assert found.finding == "not seen"
        assert math.isnan(found.got_mm)
        assert math.isnan(found.response)


def test_lines_carry_figures_with_uncertainty_or_say_not_seen():
    before = SimpleNamespace(number=1, name="first", prior=Response(1.0, 0.1))
    seams = seam_changes(
        {
            "a|b": SeamLook("wide", 0.19, 0.008),
            "b|c": SeamLook("wide", 0.15, 0.008),
            "c|d": SeamLook("wide", 0.2, 0.01),
        },
        {"a|b": SeamLook("right", 0.04, 0.006), "b|c": SeamLook("wide", 0.12, 0.007)},
    )
    piece = changes(state("b", 0.12), state("b", 0.05), {"b": 0.1})
    idle = replace(piece, id="c", finding="not recut", got_mm=0.001)
    text = "\n".join(round_lines(before, seams, (piece, idle), Response(0.72, 0.05, 1)))
    assert "1 of 3 seams that were out came right (a|b)" in text
    assert "Still wide: b|c 0.120 ± 0.007 mm (was 0.150 ± 0.008)" in text
    assert "Seen before but not now: c|d" in text
    assert "b +0.070 ± 0.004 of +0.100 mm, got less" in text
    assert "c looks as if this piece was not recut" in text
    assert "Of an asked change 0.72 ± 0.05 is got" in text
    assert "nan" not in text
    lost = round_lines(before, (), (), Response(0.5, 0.1, 2, believed=False))
    assert "not believed" in lost[-1]
