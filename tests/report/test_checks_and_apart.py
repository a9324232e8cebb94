"""Check slots and disagreeing photos as a person is told of them: terminal, record and page say the same."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console

from gapscan.measure.check_slots import CheckSlot
from gapscan.measure.types import Budget, Disagreement, Reason
from gapscan.report.archive import fit_json
from gapscan.report.overlay import overlay_image
from gapscan.report.page import report_html
from gapscan.report.table import print_table
from tests.report.specimens import grid_inspection

NAN = float("nan")
SLOTS = (
    CheckSlot("top", 0.310, 0.005, 0.318, 0.004, 0.002, Reason.SEEN),
    CheckSlot("right", 0.312, 0.005, 0.316, 0.004, 0.002, Reason.SEEN),
    CheckSlot("bottom", 0.310, 0.005, NAN, NAN, NAN, Reason.COVERED),
)
# Worked by hand: mean of 0.008 and 0.004 is 0.006; own part 0.002/√2, shared √(0.004² − 0.002² + 0.005²) = 0.00608;
# √(0.00141² + 0.00608²) = 0.00624 (JCGM 100, 5.1.2 and 5.2.2, note 1).
MEAN_WORDS = "0.006 ± 0.006 mm too wide on average"


@pytest.fixture(scope="module")
def told():
    board = grid_inspection()
    first = replace(
        board.photos[0], file="a.jpg", check=SLOTS, bare_file="empty.jpg", bare_relative_u=0.0021, warnings=()
    )
    second = replace(
        first, file="b <i>.jpg", check=tuple(replace(s, measured_mm=NAN, reason=Reason.COVERED) for s in SLOTS)
    )
    seam = board.survey.seams[0]
    n = len(seam.stations)
    budget = Budget(np.full(n, 0.008), *(np.full(n, u) for u in (0.002, 0.001, 0.003, 0.001, 0.004, 0.0005)))
    survey = replace(
        board.survey,
        seams=(replace(seam, budget=budget), *board.survey.seams[1:]),
        disagreements=(Disagreement(seam.id, (0, 1), -0.043, 0.006),),
    )
    return replace(board, photos=(first, second), survey=survey)


@pytest.fixture(scope="module")
def record(told):
    return fit_json(told)


@pytest.fixture(scope="module")
def page(told, record):
    return report_html(told, overlay_image(told), record)


def test_the_terminal(told):
    out = io.StringIO()
    print_table(told, Console(file=out, width=400, force_terminal=False))
    text = out.getvalue()
    assert f"Check slots in a.jpg: {MEAN_WORDS} (top 0.318 ± 0.004 for 0.310, " in text
    assert "bottom not seen, covered)" in text
    assert "Check slots in b <i>.jpg: not seen (top not seen, covered," in text
    assert "nan" not in text.lower()


def test_the_record(told, record):
    first, second = record["photos"]
    assert first["check"][0] == {
        "slot": "top",
        "true_mm": 0.31,
        "true_standard_uncertainty_mm": 0.005,
        "measured_mm": 0.318,
        "standard_uncertainty_mm": 0.004,
        "own_standard_uncertainty_mm": 0.002,
        "difference_mm": pytest.approx(0.008),
        "difference_standard_uncertainty_mm": pytest.approx(np.hypot(0.004, 0.005), abs=5e-5),
        "not_seen_because": None,
    }
    assert first["check"][2]["measured_mm"] is None
    assert first["check"][2]["difference_mm"] is None
    assert first["check"][2]["not_seen_because"] == "covered"
    assert all(slot["measured_mm"] is None for slot in second["check"])
    assert record["disagreements"] == [
        {
            "seam": told.survey.seams[0].id,
            "photos": ["a.jpg", "b <i>.jpg"],
            "difference_mm": -0.043,
            "standard_uncertainty_mm": 0.006,
        }
    ]


def test_the_page(page):
    assert f"Check slots in a.jpg: {MEAN_WORDS}" in page
    assert "bottom not seen, covered" in page
    assert "Photos disagree about 1 seam<" in page
    assert "0.043 ± 0.006 mm apart in a.jpg and b &lt;i&gt;.jpg" in page
    assert "<i>.jpg" not in page
    assert "± 0.2 %, by empty.jpg" in page


def test_the_pages_sources_add_up(record, page):
    """Root sum of squares (JCGM 100, 5.1.2) of the figures in the table's row, to their rounding."""
    gap = record["seams"][0]["gap_mm"]
    assert np.sqrt(sum(u**2 for u in gap["budget"].values())) == pytest.approx(gap["standard_uncertainty"], abs=1e-4)
    row = "".join(f"<td>{1000 * u:.1f}</td>" for u in gap["budget"].values())
    assert row in page
    assert record["seams"][1]["gap_mm"]["budget"] is None
