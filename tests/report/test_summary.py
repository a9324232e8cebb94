import numpy as np
import pytest

from gapscan.measure.types import GapSurvey, Reason
from gapscan.report.summary import main_reason, summarise_seam, unseen_lengths, widest_gap, widest_gaps
from tests.report.specimens import seam_gaps, stations_on


def test_uncertainty_of_the_mean_keeps_the_shared_part():
    # 20 mm seen at 0.5 mm: 40 independent readings. Worked by hand:
    # own² = 0.012² − 0.004² = 1.28e-4; 1.28e-4 / 40 + 0.004² = 1.92e-5; √ = 0.00438.
    gaps = seam_gaps(("a", "b"), stations_on((0, 0), (20, 0)), gap_mm=0.08)
    summary = summarise_seam(gaps)
    assert summary.standard_uncertainty_mm == pytest.approx(0.0044, abs=1e-9)
    assert (summary.mean_mm, summary.median_mm, summary.max_mm) == (0.08, 0.08, 0.08)
    assert summary.seen_fraction == 1.0


def test_short_seam_counts_as_one_reading():
    gaps = seam_gaps(("a", "b"), stations_on((0, 0), (0.5, 0)), gap_mm=0.08)
    assert summarise_seam(gaps).standard_uncertainty_mm == pytest.approx(0.012, abs=1e-9)


def test_nothing_seen_is_none_and_not_zero():
    gaps = seam_gaps(("a", "b"), stations_on((0, 0), (5, 0)), gap_mm=0.08, hidden=slice(None))
    summary = summarise_seam(gaps)
    assert summary.seen_fraction == 0.0
    assert summary.mean_mm is None
    assert summary.standard_uncertainty_mm is None
    assert main_reason(gaps) == "covered"
    assert widest_gap(widest_gaps(GapSurvey((gaps,), (), 1.0, ())), "a") is None


def test_widest_gap_is_a_mean_over_three_millimetres():
    stations = stations_on((0, 0), (20, 0))
    gaps = seam_gaps(("a", "b"), stations, gap_mm=0.05)
    gaps.gap_mm[10] = 0.5  # one spike of 0.5 mm length is diluted over 3 mm: (0.5 + 5 × 0.05) / 6
    found = widest_gap(widest_gaps(GapSurvey((gaps,), (), 1.0, ())), "b")
    assert found is not None
    assert found.gap_mm == pytest.approx(0.125)
    assert found.neighbour("b") == "a"
    assert abs(found.xy_mm[0] - stations.xy_mm[10, 0]) <= 3.0


def test_widest_gap_does_not_trust_one_lone_station():
    gaps = seam_gaps(("a", "b"), stations_on((0, 0), (20, 0)), gap_mm=0.05)
    gaps.reason[20:] = Reason.COVERED
    gaps.reason[39] = Reason.SEEN
    gaps.gap_mm[39] = 0.9
    found = widest_gap(widest_gaps(GapSurvey((gaps,), (), 1.0, ())), "a")
    assert found is not None
    assert found.gap_mm == pytest.approx(0.05)


def test_place_of_a_known_widest_gap():
    wide = seam_gaps(("a", "b"), stations_on((0, 0), (10, 0)), gap_mm=0.30)
    other = seam_gaps(("a", "c"), stations_on((0, 9), (10, 9)), gap_mm=0.21)
    survey = GapSurvey((wide, other), (), 1.0, ())
    assert widest_gap(widest_gaps(survey), "a").neighbour("a") == "b"
    assert widest_gap(widest_gaps(survey), "a", near_mm=0.2).neighbour("a") == "c"


def test_unseen_lengths_by_reason():
    covered = seam_gaps(("a", "b"), stations_on((0, 0), (10, 0)), gap_mm=0.1, hidden=slice(0, 4))
    slanted = seam_gaps(("a", "c"), stations_on((0, 9), (10, 9)), gap_mm=0.1, hidden=slice(0, 10), reason=Reason.SLANT)
    lengths = unseen_lengths([covered, slanted])
    assert list(lengths.items()) == [("hidden by the slanted view", 5.0), ("covered", 2.0)]
    assert np.isclose(sum(lengths.values()), 7.0)
