"""The history of a job told and drawn."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from gapscan.rounds.chart import chart_svg
from gapscan.rounds.history import History, PieceRound, Round, read_history
from gapscan.rounds.tell import history_json, piece_lines, round_rows

SVG = "{http://www.w3.org/2000/svg}"


def test_order_is_that_of_the_chain(worked):
    one, two, three = worked.folders
    for order in ((one, two, three), (three, one, two), (two, three, one)):
        assert [r.folder for r in read_history(order).rounds] == [str(one), str(two), str(three)]
    assert [r.number for r in read_history((three, two)).rounds] == [2, 3]  # a history may begin later


def test_figures_are_those_of_the_records(worked):
    history = read_history(worked.folders)
    for number, one in enumerate(history.rounds, start=1):
        record = worked.record(number)
        assert one.to_recut == tuple(sorted(worked.changes(number)))
        assert one.chance == record["chance"]
        seams = [s for s in record["seams"] if s["gap_mm"]["mean"] is not None]
        seen = [sum(gap is not None for gap in s["samples"]["gap_mm"]) for s in seams]
        by_hand = np.average([s["gap_mm"]["mean"] for s in seams], weights=seen)
        assert one.mean_mm == pytest.approx(by_hand, abs=2e-4)
        # no window of a seam is wider than its widest reading, nor narrower than its mean
        assert max(s["gap_mm"]["mean"] for s in seams) <= one.widest_mm <= max(s["gap_mm"]["max"] for s in seams)
        wide = {s["id"] for s in (record.get("round") or {"seams": []})["seams"] if s["now"] == "wide"}
        assert number == 1 or set(one.wide) == wide
    for name, rounds in history.pieces.items():
        stored = [{p["id"]: p for p in worked.record(n)["pieces"]}[name] for n in (1, 2, 3)]
        assert [p.undersize_mm for p in rounds] == pytest.approx([p["undersize_mm"] for p in stored], abs=1e-4)
        offsets = [p.offset_mm for p in rounds]
        assert offsets[0] == 0.0
        assert offsets[1] == worked.changes(1)[name]


def test_lines_and_rows_and_data_say_the_same(worked):
    history = read_history(worked.folders)
    rows, data = round_rows(history), history_json(history)
    assert len(rows) == len(data["rounds"]) == 3
    assert all("±" in row[3] for row in rows)
    assert len(piece_lines(history)) == len(data["pieces"]) == len(history.pieces) > 0
    assert all(line.count("±") == 3 for line in piece_lines(history))
    assert data["rounds"][0]["response"] is None
    assert data["rounds"][1]["response"] == worked.record(2)["round"]["response"]


def one_round(number, **change):
    return replace(
        Round(f"r{number}", number, 0.1, (), (), (), (), 0.3 / number, 0.005, "a|b", 0.1 / number, 0.004, 0.9, None),
        **change,
    )


def made_up(pieces: int, rounds: int = 3) -> History:
    sizes = {
        f"<p&{k:03d}>": tuple(
            PieceRound(0.0, 0.001 * k / (n + 1), 0.004, 0.1 if n == 0 else None) for n in range(rounds)
        )
        for k in range(pieces)
    }
    return History(tuple(one_round(n + 1) for n in range(rounds)), sizes)


@pytest.mark.parametrize("pieces", [0, 1, 7, 16, 80])
def test_the_drawing_is_whole_and_nothing_hides_another(pieces):
    root = ET.fromstring(chart_svg(made_up(pieces)))
    width, height = float(root.get("width")), float(root.get("height"))
    texts = [(float(t.get("x")), float(t.get("y")), "".join(t.itertext())) for t in root.iter(f"{SVG}text")]
    labels = sorted(y for x, y, _ in texts if x > width - 190)
    assert all(b - a > 10 for a, b in pairwise(labels))
    assert all(0 < x < width and 0 < y < height for x, y, _ in texts)
    for tag, names in (("circle", ("cx", "cy")), ("line", ("x1", "y1"))):
        for shape in root.iter(f"{SVG}{tag}"):
            x, y = (float(shape.get(name)) for name in names)
            assert 0 <= x <= width
            assert 0 <= y <= height
    shown = [words for _, _, words in texts if words.startswith("<p&")]
    assert len(shown) == min(pieces, 16)
    assert all("±" in words for words in shown)
    if pieces > 16:
        assert any(f"{pieces - 16} more not drawn" in words for _, _, words in texts)


def test_heights_are_to_scale():
    """Read back from the drawing: the height of a dot goes linearly with its gap, 0 on the axis."""
    history = made_up(0)
    root = ET.fromstring(chart_svg(history))
    dots = [float(c.get("cy")) for c in root.iter(f"{SVG}circle")][:3]
    gaps = [one.widest_mm for one in history.rounds]
    slope, zero = np.polyfit(gaps, dots, 1)
    np.testing.assert_allclose(np.polyval([slope, zero], gaps), dots, atol=0.1)
    (axis,) = [t for t in root.iter(f"{SVG}text") if t.text == "0.00"]
    assert float(axis.get("y")) - 4 == pytest.approx(zero, abs=0.2)


def test_what_was_not_seen_breaks_the_line_and_is_said():
    history = made_up(1)
    dark = replace(history.rounds[1], widest_mm=None, u_widest_mm=None, mean_mm=None, u_mean_mm=None, chance=math.nan)
    (name,) = history.pieces
    unseen = replace(history.pieces[name][1], undersize_mm=None, u_undersize_mm=None)
    rounds, pieces = (history.rounds[0], dark, history.rounds[2]), list(history.pieces[name])
    pieces[1] = unseen
    broken = History(rounds, {name: tuple(pieces)})
    root = ET.fromstring(chart_svg(broken))
    assert len(list(root.iter(f"{SVG}circle"))) == 6  # of nine
    assert "nan" not in chart_svg(broken).lower()
    assert "not seen" in round_rows(broken)[1][3]
    assert round_rows(broken)[1][5] == "unknown"
    assert "not seen" in piece_lines(broken)[0]
    assert history_json(broken)["rounds"][1]["widest_gap_mm"] is None
