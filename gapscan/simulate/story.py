"""What the demonstration goes on with: the pieces cut again and photographed, and the next drawing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from shapely.geometry import MultiPolygon, Polygon

from gapscan.simulate.demo import OFFSET_MM, DemoScenario
from gapscan.simulate.designs import cells
from gapscan.simulate.scene import Card, SimulatedPhoto, photograph
from gapscan.simulate.second_round import cut_again_and_tape
from gapscan.simulate.shop import DryFit

_NEXT_SEED = 4
_NEXT_MATERIALS = ("holly", "walnut", "cherry")


@dataclass(frozen=True)
class NextDrawing:
    """The next design's file and the job file that goes with it, no offset in it yet."""

    svg: str
    job_toml: str


def second_round(
    scenario: DemoScenario,
    outlines: Mapping[str, Polygon | MultiPolygon],
    card: Card,
    opening_centre: tuple[float, float],
    rng: np.random.Generator,
) -> tuple[DryFit, SimulatedPhoto]:
    """The dry fit with the pieces of ``outlines`` cut again from these and all taped anew, and its photo.

    The sheet lies a little otherwise than the first time. Raises ValueError when the pieces cannot lie flat.
    """
    offset_mm = {piece.id: OFFSET_MM for piece in scenario.fit.design.pieces}
    fit = cut_again_and_tape(scenario.fit, outlines, rng, offset_mm=offset_mm)
    scene = replace(scenario.scenes[0], angle_deg=-0.7, offset_mm=(-0.5, 0.7))
    return fit, photograph(fit, card, opening_centre, scene, rng)


def next_drawing() -> NextDrawing:
    """A small panel of cells in woods that the box lid was cut from."""
    drawing = cells(_NEXT_SEED, count=18, width_mm=120.0, height_mm=80.0)
    lines = [
        "# A panel of cells, to be cut with the settings of the box lid.",
        "tolerance_mm = 0.10",
        "aim_mm = 0.03",
        "",
        "[sheet]",
        "thickness_mm = 0.6",
        "",
        "[cut]",
        "taper_deg = 2.0",
        "",
    ]
    for number, piece in enumerate(drawing.design().pieces):
        lines += [f'[pieces."{piece.id}"]', f'material = "{_NEXT_MATERIALS[number % len(_NEXT_MATERIALS)]}"', ""]
    return NextDrawing(drawing.svg, "\n".join(lines))
