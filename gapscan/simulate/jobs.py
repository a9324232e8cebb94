"""Acceptance jobs: dry fits of several kinds with known faults, for judging the whole program."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from gapscan.design.types import Design
from gapscan.job import Facing
from gapscan.simulate.designs import DESIGNS
from gapscan.simulate.develop import DevelopSettings
from gapscan.simulate.drawing import Drawing
from gapscan.simulate.optics import CameraSettings
from gapscan.simulate.scene import Card, SceneSettings, SimulatedPhoto, photograph
from gapscan.simulate.shop import DryFit, ShopSettings, cut_and_tape

_MOAT_MM = 5.0
_SMALLEST_FAULTY_MM2 = 60.0
_SLIMMEST_FAULTY_MM = 1.0  # area by perimeter
_MATERIALS = ("maple", "walnut", "pear", "holly", "cherry", "ash")


@dataclass(frozen=True)
class JobSpec:
    """One acceptance job.

    kind, design_seed   which drawing
    seed                of everything random: losses, poses, noise
    recut               ids of the pieces that were cut too small: the wanted recut list
    shifted             ids of the pieces merely pushed aside
    opening_mm          opening of the scale frame that fits round the assembly as it lies
    photo_count         photos of the fit; after the first, frame and sheet are turned under the camera
    """

    name: str
    kind: str
    design_seed: int
    seed: int
    shop: ShopSettings
    scene: SceneSettings
    recut: tuple[str, ...]
    shifted: tuple[str, ...]
    opening_mm: tuple[float, float]
    tolerance_mm: float = 0.10
    photo_count: int = 1

    def job_toml(self) -> str:
        """The job file that goes with it."""
        lines = [
            f"tolerance_mm = {self.tolerance_mm}",
            f'view = "{self.scene.view}"',
            "[sheet]",
            f"thickness_mm = {self.shop.thickness_mm}",
            "[cut]",
            f"taper_deg = {self.shop.taper_deg}",
        ]
        for name, material in sorted(self.shop.material.items()):
            facing = self.shop.facing.get(name, self.shop.default_facing)
            lines += [f'[pieces."{name}"]', f'facing = "{facing}"', f'material = "{material}"']
        return "\n".join(lines) + "\n"


@dataclass(frozen=True)
class _Plan:
    """What makes one job differ from the next. faults: extra undersize of each faulty piece, mm."""

    kind: str
    design_seed: int
    faults: tuple[float, ...]
    pushed: int = 0
    view: Literal["front", "back"] = "front"
    alternate: bool = False
    tilt_deg: float = 0.0
    roll_deg: float = 0.0
    angle_deg: float = 0.0
    equivalent_mm: float = 77.0  # the longer lens that most phones carry: the camera stands about half a metre off
    blur_px: float = 1.0
    quality: int = 93
    frame_mirrored: bool = False


_PLANS = (
    _Plan("cells", 11, (0.12, 0.14), tilt_deg=2.0, roll_deg=1.0, angle_deg=0.6),
    _Plan("cells", 12, (0.13,), pushed=1, alternate=True, tilt_deg=4.0, roll_deg=181.0, blur_px=1.2),
    _Plan("cells", 13, (), pushed=3, tilt_deg=3.0, equivalent_mm=70.0, blur_px=0.9),
    _Plan("rosette", 21, (0.12, 0.15), tilt_deg=3.0, angle_deg=137.0, quality=95),
    _Plan("rosette", 22, (0.14, 0.12, 0.13), view="back", tilt_deg=1.0, angle_deg=-58.0, blur_px=1.3),
    _Plan("inlays", 31, (0.12, 0.15, 0.13), tilt_deg=2.0, roll_deg=-2.0, equivalent_mm=85.0),
    _Plan("inlays", 32, (0.14,), view="back", alternate=True, tilt_deg=6.0, angle_deg=180.0, quality=90),
    _Plan("strips", 41, (0.12, 0.13), alternate=True, tilt_deg=5.0, frame_mirrored=True),
    _Plan("strips", 42, (), pushed=2, tilt_deg=2.0, angle_deg=-0.8, quality=95, blur_px=1.2),
    _Plan("picture", 0, (0.13, 0.12, 0.14), pushed=1, tilt_deg=3.0, roll_deg=1.0),
    _Plan("picture", 3, (0.12, 0.15), view="back", tilt_deg=4.0, quality=92, equivalent_mm=70.0),
    _Plan("picture", 5, (), pushed=2, tilt_deg=1.0, roll_deg=180.5),
)


def acceptance_jobs(*, equivalent_mm: float | None = None, photo_count: int = 1) -> tuple[JobSpec, ...]:
    """The acceptance jobs, always the same ones.

    equivalent_mm  use this lens for all of them instead of their own 70 to 85 mm
    photo_count    photos a job, 1 to 4
    """
    return tuple(
        _spec(number, plan, equivalent_mm or plan.equivalent_mm, photo_count) for number, plan in enumerate(_PLANS, 1)
    )


def build_job(spec: JobSpec) -> tuple[Drawing, DryFit]:
    """Draw, cut and tape one job."""
    drawing = DESIGNS[spec.kind](spec.design_seed)
    return drawing, cut_and_tape(drawing.design(), spec.shop, np.random.default_rng([spec.seed, 1]))


def photograph_job(
    spec: JobSpec, fit: DryFit, card: Card, opening_centre: tuple[float, float]
) -> tuple[SimulatedPhoto, ...]:
    """The job's photos, with the card of a frame that has the opening ``spec.opening_mm``."""
    photos = []
    for number in range(spec.photo_count):
        camera = spec.scene.camera
        turned = replace(
            camera,
            roll_deg=camera.roll_deg + 180.0 * (number % 2),
            azimuth_deg=camera.azimuth_deg + 75.0 * number,
        )
        rng = np.random.default_rng([spec.seed, 2, number])
        photos.append(photograph(fit, card, opening_centre, replace(spec.scene, camera=turned), rng))
    return tuple(photos)


def _spec(number: int, plan: _Plan, equivalent_mm: float, photo_count: int) -> JobSpec:
    rng = np.random.default_rng([number, 0])
    drawing = DESIGNS[plan.kind](plan.design_seed)
    design = drawing.design()
    ids = [piece.id for piece in design.pieces]
    chosen = _apart(design, len(plan.faults) + plan.pushed, rng)
    recut, shifted = chosen[: len(plan.faults)], chosen[len(plan.faults) :]
    facing: dict[str, Facing] = dict.fromkeys(ids[1::2], "down") if plan.alternate else {}
    shop = ShopSettings(
        undersize_mm=dict(zip(recut, plan.faults, strict=True)),
        shift={name: _push(rng) for name in shifted},
        facing=facing,
        material={name: _MATERIALS[int(rng.integers(len(_MATERIALS)))] for name in ids},
        ragged_rms_mm=0.003,
    )
    camera = CameraSettings(
        width_px=4000,
        height_px=3000,
        equivalent_mm=equivalent_mm,
        px_per_mm=22.0,
        tilt_deg=plan.tilt_deg,
        azimuth_deg=float(rng.uniform(0.0, 360.0)),
        roll_deg=plan.roll_deg,
        k1=float(rng.uniform(-0.01, 0.01)),
    )
    scene = SceneSettings(
        camera=camera,
        develop=DevelopSettings(blur_sigma_px=plan.blur_px, quality=plan.quality),
        view=plan.view,
        angle_deg=plan.angle_deg,
        offset_mm=(float(rng.uniform(-0.5, 0.5)), float(rng.uniform(-0.5, 0.5))),
        frame_mirrored=plan.frame_mirrored,
        fill=True,
    )
    return JobSpec(
        name=f"{number:02d}-{plan.kind}",
        kind=plan.kind,
        design_seed=plan.design_seed,
        seed=number,
        shop=shop,
        scene=scene,
        recut=tuple(sorted(recut)),
        shifted=tuple(sorted(shifted)),
        opening_mm=_opening(drawing, plan),
        photo_count=photo_count,
    )


def _apart(design: Design, count: int, rng: np.random.Generator) -> list[str]:
    """Pieces to be faulty: not too small, and no two neighbours, so that the recut list is beyond dispute."""
    beside: dict[str, set[str]] = {piece.id: set() for piece in design.pieces}
    for seam in design.seams:
        a, b = seam.pieces
        beside[a].add(b)
        beside[b].add(a)
    # a ground that all the others lie in is never the one to recut
    able = [
        p.id
        for p in design.pieces
        if p.polygon.area >= _SMALLEST_FAULTY_MM2
        and p.polygon.area / p.polygon.length > _SLIMMEST_FAULTY_MM
        and 2 * len(beside[p.id]) < len(design.pieces)
        and beside[p.id]
    ]
    found: list[str] = []
    for index in rng.permutation(len(able)):
        if len(found) == count:
            break
        if not any(able[index] in beside[other] or able[index] == other for other in found):
            found.append(able[index])
    if len(found) < count:
        raise ValueError(f"the design has no {count} pieces that lie apart from each other")
    return found


def _push(rng: np.random.Generator) -> tuple[float, float, float]:
    """A push of 0.07 to 0.10 mm in any direction with a little turn."""
    size, way = rng.uniform(0.07, 0.10), rng.uniform(0.0, 2 * np.pi)
    return float(size * np.cos(way)), float(size * np.sin(way)), float(rng.uniform(-0.05, 0.05))


def _opening(drawing: Drawing, plan: _Plan) -> tuple[float, float]:
    """Room for the assembly as it lies, with a moat all round, in whole mm."""
    width, height = drawing.size_mm
    if plan.kind == "rosette":
        room = np.array([width, height])
    else:
        c, s = abs(np.cos(np.deg2rad(plan.angle_deg))), abs(np.sin(np.deg2rad(plan.angle_deg)))
        room = np.array([width * c + height * s, width * s + height * c])
    opening = np.ceil(np.round(room + 2 * _MOAT_MM, 6))
    return float(opening[0]), float(opening[1])
