import io
import math
from dataclasses import replace

import pytest
from rich.console import Console

from gapscan.report.findings import change_words, find, move_words, with_uncertainty
from gapscan.report.table import print_table
from gapscan.solve.types import PieceState
from tests.report.specimens import grid_inspection


def printed(inspection, *, width=100, terminal=False, **environment):
    stream = io.StringIO()
    console = Console(file=stream, width=width, force_terminal=terminal, _environ=environment, emoji=False)
    print_table(inspection, console)
    return stream.getvalue()


def test_what_to_do_comes_first(board):
    text = printed(board)
    words = ("Recut", "Re-seat", "Unsure", "Not seen:", "Note:", "Recut 2 of 12")
    places = [text.index(word) for word in words]
    assert places == sorted(places)
    assert "grow by 0.085 ± 0.008 mm" in text
    assert "0.120 ± 0.003 mm right, 0.070 ± 0.003 mm up" in text
    assert "the left edge is a little dark" in text
    assert "nan" not in text


def test_no_colour_when_piped_or_unwanted(board):
    assert "\x1b" not in printed(board)
    assert "\x1b[1;31m" in printed(board, terminal=True, TERM="xterm-256color")
    assert "\x1b[1;31m" not in printed(board, terminal=True, TERM="xterm-256color", NO_COLOR="1")


@pytest.mark.parametrize("width", [28, 40, 80, 200])
def test_narrow_terminals_lose_nothing(board, width):
    text = printed(board, width=width)
    assert max(len(line.rstrip()) for line in text.splitlines()) <= width
    assert all(word in text for word in ("grow", "0.085", "0.008", "p12", "slanted", "uncertainty."))


def test_names_are_shown_as_they_are(hostile):
    text = printed(hostile, width=200)
    assert 'leaf 🍂 "x" & [red]' in text
    assert "<script>alert(1)</script>" in text


def test_control_characters_cannot_steer_the_terminal():
    text = printed(grid_inspection(names={"p01": "a\x1b[2Jb"}))
    assert "\x1b" not in text


def test_nothing_to_do():
    board = grid_inspection(recut=0)
    kept = tuple(replace(d, verdict="keep", reseat_mm=None, widest_gap_mm=0.04) for d in board.plan.decisions)
    text = printed(replace(board, plan=replace(board.plan, decisions=kept)))
    assert "Nothing to recut of 12 pieces" in text
    assert "Re-seat" not in text


def test_open_seams_are_named(board):
    plan = replace(board.plan, feasible=False, blocking_seams=("p07|p08",))
    assert "Still over 0.10 mm: p07|p08." in printed(replace(board, plan=plan))


def test_a_long_unsure_list_is_cut_short(board):
    decisions = tuple(
        replace(d, id=f"q{number:02d}", verdict="unsure", new_outline=None)
        for number, d in enumerate(board.plan.decisions * 2)
    )
    text = printed(replace(board, plan=replace(board.plan, decisions=decisions)))
    assert sum(line.startswith("q") for line in text.splitlines()) == 12
    assert "12 more unsure pieces" in text


def test_largest_change_first(board):
    decisions = list(board.plan.decisions)
    decisions[1] = replace(decisions[1], offset_change_mm=-0.2)
    found = find(replace(board, plan=replace(board.plan, decisions=tuple(decisions))))
    assert [line.id for line in found.recuts] == ["p02", "p01"]
    assert found.recuts[0].change.startswith("shrink by 0.200")
    assert found.recuts[0].new_offset == "-0.200 mm"


def test_seen_share_counts_seams_without_stations(board):
    assert find(board).dark_seams == ("p08|p12", "p11|p12")
    fewer = replace(board, survey=replace(board.survey, seams=board.survey.seams[1:]))
    assert find(fewer).dark_seams == ("p01|p02", "p08|p12", "p11|p12")


@pytest.mark.parametrize(
    ("value", "u", "words"),
    [
        (0.1234, 0.0123, "0.123 ± 0.012 mm"),
        (0.1234, 0.0003, "0.1234 ± 0.0003 mm"),
        (math.nan, 0.1, "not seen"),
        (None, None, "not seen"),
        (0.1, math.nan, "0.100 ± unknown mm"),
    ],
)
def test_figures_in_words(value, u, words):
    assert with_uncertainty(value, u) == words


def test_change_and_move_in_words():
    assert change_words(-0.02, 0.004) == "shrink by 0.020 ± 0.004 mm"
    state = PieceState("a", 0.0, 0.01, (0.0, 0.0), (0.02, 0.02), 0.0, 0.1, 0.0, 0.01, 1.0)
    assert move_words((-0.15, 0.01), state) == "0.15 ± 0.02 mm left"
    assert move_words((0.0, 0.15), state) == "0.15 ± 0.02 mm down"
