"""Boards whose pieces are known, as a plan sees them."""

from __future__ import annotations

import itertools

import numpy as np
from shapely.geometry import Polygon, box

from gapscan.design.types import Design
from gapscan.job import Job, parse_job
from gapscan.recut.plan import plan_input
from gapscan.recut.types import PlanInput
from gapscan.solve.adjust import solve_pieces
from tests.solve.forward import Pose, survey_of


def given_of(design: Design, poses: dict[str, Pose] | None = None, *, u_mm: float = 0.004) -> PlanInput:
    """What a perfect photo of this board gives to a plan."""
    survey = survey_of(design, poses or {}, u_mm=u_mm)
    return plan_input(design, survey, solve_pieces(design, survey), Job())


def strips(widths_mm: list[float], height_mm: float = 60.0) -> list[Polygon]:
    """Strips side by side, from left to right."""
    ends = np.concatenate([[0.0], np.cumsum(widths_mm)])
    return [box(a, 0.0, b, height_mm) for a, b in itertools.pairwise(ends)]


def wood_job(pieces: dict[str, dict], cut_rh: float = 55.0, use_rh: float = 35.0, **others: object) -> Job:
    """A job file with both airs at 20 °C."""
    table = {"air": {"cut_rh_percent": cut_rh, "use_rh_percent": use_rh}, "pieces": pieces, **others}
    return parse_job(table, source="test")


def moisture_by_humidity(percent: float, celsius: float = 20.0) -> float:
    """The humidity at which wood rests with so much moisture, by halving."""
    from gapscan.wood.moisture import resting_percent

    low, high = 5.0, 95.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if resting_percent(middle, celsius) < percent else (low, middle)
    return low
