"""Jobs for the closed loop: small panels of every kind of drawing, with every kind of fault. Seeds fixed."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import box

from gapscan.design.types import Design
from gapscan.job import Facing
from gapscan.simulate import designs
from gapscan.simulate.develop import DevelopSettings
from gapscan.simulate.drawing import Drawing, make_drawing, paint
from gapscan.simulate.light import GLOW
from gapscan.simulate.optics import CameraSettings
from gapscan.simulate.picture import HEIGHT_MM, WIDTH_MM, picture
from gapscan.simulate.scene import SceneSettings
from gapscan.simulate.shop import DryFit, ShopSettings, cut_and_tape
from tests.benchmarks.exact_minimum import SEAT_OF_TOLERANCE, Minimum, Question, exact_minimum, question

TOLERANCE_MM, AIM_MM, PRESS_MM = 0.10, 0.03, 0.02
# Which faults a kind of drawing can show: an inlay that is too large does not go in at all, cells have no tight curves.
FAULTS: dict[str, tuple[str, ...]] = {
    "cells": ("few", "facing", "shifted", "large", "mixed", "shrunk"),
    "rosette": ("facing", "shifted", "curved", "few", "large", "mixed"),
    "inlays": ("shifted", "curved", "few", "mixed", "shrunk", "facing"),
    "strips": ("large", "mixed", "shrunk", "few", "facing", "shifted"),
    "picture": ("mixed", "few", "facing", "shifted"),
}
_MOAT_MM = 5.0
_DECIDED_MM = 0.01  # the number of recuts must stay the same with tolerance and press so much smaller and larger
_FACTORS = (1.0, 0.9, 1.1, 0.8, 1.2, 0.7, 0.6, 0.5, 0.4, 0.3)
_REDRAWN = 4  # times that faults are drawn anew where no such factor helps
_SMALLEST_FAULTY_MM2, _SLIMMEST_FAULTY_MM = 10.0, 0.5  # area; area by perimeter
_SMALLEST_OPENING_MM = 60.0
_SMALLEST_PART_MM2 = 24.0  # as in the whole picture


@dataclass(frozen=True)
class LoopJob:
    """One job: drawing, first dry fit with its faults, scene, and what the true gaps ask for.

    asked, minimum  what the true gaps ask for, and the fewest recuts that answer it
    factor      by how much the faults first drawn were made milder or stronger
    """

    number: int
    kind: str
    fault: str
    drawing: Drawing
    design: Design
    fit: DryFit
    scene: SceneSettings
    opening_mm: tuple[float, float]
    asked: Question
    minimum: Minimum
    factor: float

    @property
    def name(self) -> str:
        """Number, kind of drawing and kind of fault."""
        return f"{self.number:03d}-{self.kind}-{self.fault}"


@dataclass(frozen=True)
class _Wrong:
    """Faults put in: undersize by piece, pushes by piece, facing, and what befalls every piece."""

    undersize_mm: dict[str, float] = field(default_factory=dict)
    shift: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    down: tuple[str, ...] = ()
    across_grain: float = 0.0
    curve_loss_mm: float = 0.0

    def times(self, factor: float) -> _Wrong:
        """All faults so much milder."""
        return replace(
            self,
            undersize_mm={name: factor * value for name, value in self.undersize_mm.items()},
            shift={name: (factor * x, factor * y, factor * turn) for name, (x, y, turn) in self.shift.items()},
            across_grain=factor * self.across_grain,
            curve_loss_mm=factor * self.curve_loss_mm,
        )


def loop_job(number: int) -> LoopJob:
    """Job ``number`` (0, 1, …), always the same.

    Faults that cannot be laid flat, that no set of recuts mends even by the true gaps, or where a hundredth of a
    millimetre decides how many recuts it takes, are made milder or stronger until they can be judged: such jobs test
    other things than the loop. LoopJob.factor says by how much.
    """
    rng = np.random.default_rng([4711, number])
    kinds = tuple(FAULTS)
    kind = kinds[number % len(kinds)]
    fault = FAULTS[kind][number // len(kinds) % len(FAULTS[kind])]
    drawing = _drawing(kind, number, rng)
    design = drawing.design()
    scene = _scene(kind, drawing, rng)
    fit, asked, least, factor = _judgeable(fault, design, number, rng)
    opening = tuple(float(max(np.ceil(side + 2 * _MOAT_MM), _SMALLEST_OPENING_MM)) for side in drawing.size_mm)
    return LoopJob(number, kind, fault, drawing, design, fit, scene, (opening[0], opening[1]), asked, least, factor)


def _judgeable(
    fault: str, design: Design, number: int, rng: np.random.Generator
) -> tuple[DryFit, Question, Minimum, float]:
    """The first dry fit whose recuts can be judged, what it asks for, and the factor on its faults."""
    for _ in range(_REDRAWN):
        wrong = _wrong(fault, design, rng)
        shop = _shop(design, wrong, rng)
        for factor in _FACTORS:
            scaled = wrong.times(factor)
            settings = replace(
                shop,
                undersize_mm=scaled.undersize_mm,
                shift=scaled.shift,
                across_grain=scaled.across_grain,
                curve_loss_mm=scaled.curve_loss_mm,
            )
            try:
                fit = cut_and_tape(design, settings, np.random.default_rng([4712, number]))
            except ValueError:
                continue
            asked = ask(fit)
            least = exact_minimum(asked)
            if least.count is not None and _decided(fit, least):
                return fit, asked, least, factor
    raise RuntimeError(f"job {number}: no fault that can be judged was found")


def ask(fit: DryFit, *, seat_mm: float = SEAT_OF_TOLERANCE * TOLERANCE_MM) -> Question:
    """What a dry fit asks for under the limits of these jobs."""
    return question(fit, tolerance_mm=TOLERANCE_MM, press_mm=PRESS_MM, seat_mm=seat_mm)


def _decided(fit: DryFit, least: Minimum) -> bool:
    """Whether the number of recuts is the same with a stricter question and with a milder one."""
    stricter = question(fit, tolerance_mm=TOLERANCE_MM - _DECIDED_MM, press_mm=PRESS_MM - _DECIDED_MM, seat_mm=0.0)
    if exact_minimum(stricter).count != least.count:
        return False
    milder = question(
        fit,
        tolerance_mm=TOLERANCE_MM + _DECIDED_MM,
        press_mm=PRESS_MM + _DECIDED_MM,
        seat_mm=SEAT_OF_TOLERANCE * TOLERANCE_MM,
    )
    return exact_minimum(milder).count == least.count


def _drawing(kind: str, number: int, rng: np.random.Generator) -> Drawing:
    """12 to 60 pieces on 64 to 90 mm."""
    width = float(np.round(rng.uniform(76.0, 90.0)))
    height = float(np.round(0.7 * width))
    if kind == "cells":
        return designs.cells(number, count=int(rng.integers(12, 61)), width_mm=width, height_mm=height)
    if kind == "rosette":
        sectors = int(rng.integers(5, 9)), int(rng.integers(7, 13))
        return designs.rosette(number, diameter_mm=float(np.round(rng.uniform(64, 74))), sectors=sectors)
    if kind == "inlays":
        return designs.inlays(number, count=int(rng.integers(12, 25)), width_mm=width, height_mm=height)
    if kind == "strips":
        return designs.strips(number, count=int(rng.integers(9, 14)), width_mm=width, height_mm=height)
    x0, y0 = (float(rng.integers(0, round(full - part) + 1)) for full, part in ((WIDTH_MM, width), (HEIGHT_MM, height)))
    part = paint(picture(number).let_in(), canvas=box(x0, y0, x0 + width, y0 + height), smallest_mm2=_SMALLEST_PART_MM2)
    moved = {name: affinity.translate(shape, -x0, -y0) for name, shape in part.items()}
    shapes = {name: shapely.transform(shape, lambda xy: np.round(xy, 4)) for name, shape in moved.items()}
    return make_drawing(shapes, (width, height), title="Part of the box lid")


def _wrong(fault: str, design: Design, rng: np.random.Generator) -> _Wrong:
    able = _able(design)
    down = tuple(piece.id for piece in design.pieces if rng.random() < 0.35)

    def some(least: int, most: int) -> list[str]:
        return [able[i] for i in rng.permutation(len(able))[: int(rng.integers(least, most + 1))]]

    # bad facing: either every seam of it is open, or only those between two pieces of it
    facing_mm = float(rng.uniform(0.07, 0.09) if rng.random() < 0.5 else rng.uniform(0.04, 0.055))
    few = {name: float(rng.uniform(0.07, 0.16)) for name in some(1, 4)}
    pushed = {name: _push(rng) for name in some(1, 3)}
    return {
        "few": _Wrong(undersize_mm=few),
        "large": _Wrong(undersize_mm={name: -float(rng.uniform(0.07, 0.11)) for name in some(1, 1)}),
        "shifted": _Wrong(shift=pushed),
        "facing": _Wrong(undersize_mm=dict.fromkeys(down, facing_mm), down=down),
        "shrunk": _Wrong(across_grain=float(rng.uniform(0.001, 0.003)), down=down),
        "curved": _Wrong(curve_loss_mm=float(rng.uniform(0.04, 0.08))),
        "mixed": _Wrong(few, {name: by for name, by in pushed.items() if name not in few}, down),
    }[fault]


def _able(design: Design) -> list[str]:
    """Pieces that may be faulty: no slivers, and never the ground that all the others lie in."""
    beside: dict[str, set[str]] = {piece.id: set() for piece in design.pieces}
    for seam in design.seams:
        for name, other in (seam.pieces, seam.pieces[::-1]):
            beside[name].add(other)
    return [
        piece.id
        for piece in design.pieces
        if piece.polygon.area >= _SMALLEST_FAULTY_MM2
        and piece.polygon.area / piece.polygon.length > _SLIMMEST_FAULTY_MM
        and 2 * len(beside[piece.id]) < len(design.pieces)
    ]


def _push(rng: np.random.Generator) -> tuple[float, float, float]:
    size, way = rng.uniform(0.07, 0.10), rng.uniform(0.0, 2 * np.pi)
    return float(size * np.cos(way)), float(size * np.sin(way)), float(rng.uniform(-0.05, 0.05))


def _shop(design: Design, wrong: _Wrong, rng: np.random.Generator) -> ShopSettings:
    ids = [piece.id for piece in design.pieces]
    woods = tuple(GLOW)
    facing: dict[str, Facing] = dict.fromkeys(wrong.down, "down")
    return ShopSettings(
        facing=facing,
        material={name: woods[int(rng.integers(len(woods)))] for name in ids},
        grain_deg={name: float(rng.uniform(-90.0, 90.0)) for name in ids},
        ragged_rms_mm=0.003 if rng.random() < 0.25 else 0.0,
    )


def _scene(kind: str, drawing: Drawing, rng: np.random.Generator) -> SceneSettings:
    """A careful photo at a quarter of a phone's pixels, the camera about half a metre off.

    Nothing is taped over: what tape hides is another matter, and small panels would be half covered by it.
    """
    width, height = (1780, 1780) if drawing.size_mm[0] < 1.2 * drawing.size_mm[1] else (2080, 1560)
    camera = CameraSettings(
        width_px=width,
        height_px=height,
        equivalent_mm=float(np.round(rng.uniform(115.0, 140.0))),
        px_per_mm=20.0,
        tilt_deg=float(rng.uniform(0.0, 4.0)),
        azimuth_deg=float(rng.uniform(0.0, 360.0)),
        roll_deg=float(rng.uniform(-2.0, 2.0)),
        k1=float(rng.uniform(-0.01, 0.01)),
    )
    return SceneSettings(
        camera=camera,
        develop=DevelopSettings(blur_sigma_px=float(rng.uniform(0.8, 1.2)), quality=int(rng.integers(90, 96))),
        angle_deg=float(rng.uniform(-0.8, 0.8)) if kind != "rosette" else float(rng.uniform(-180.0, 180.0)),
        fill=True,
    )
