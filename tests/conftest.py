"""Small simulated dry fits, made once a session and shared.

The simulator (gapscan.simulate) computes pictures and true gaps from the geometry of the cut pieces and shares no code
with the measuring side; its own tests hold it against outside sources.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from gapscan.design.read import read_design
from gapscan.design.types import Design
from gapscan.job import Job, read_job
from gapscan.photo.frame import frame_svg
from gapscan.photo.layout import FrameLayout, frame_layout
from gapscan.photo.load import read_photo
from gapscan.photo.reference import find_reference
from gapscan.photo.types import Photo, Reference
from gapscan.pipeline import inspect
from gapscan.report.types import Inspection
from gapscan.simulate import designs
from gapscan.simulate.develop import DevelopSettings
from gapscan.simulate.optics import CameraSettings
from gapscan.simulate.scene import SceneSettings, SimulatedPhoto, photograph
from gapscan.simulate.shop import DryFit, ShopSettings, cut_and_tape

PANEL_MM = (60.0, 45.0)
OPENING_MM = (80.0, 65.0)
CAMERA = CameraSettings(
    width_px=1600, height_px=1200, equivalent_mm=75.0, px_per_mm=12.5, tilt_deg=2.0, azimuth_deg=50.0, roll_deg=1.0
)
SCENE = SceneSettings(camera=CAMERA, fill=True, angle_deg=3.0, offset_mm=(0.6, -0.4))


@dataclass(frozen=True)
class Shoot:
    """The files of one simulated job, and the truth."""

    design_path: Path
    frame_path: Path
    job_path: Path
    photo_path: Path
    fit: DryFit
    truth: SimulatedPhoto

    @property
    def design(self) -> Design:
        return self.fit.design

    @property
    def job(self) -> Job:
        return read_job(self.job_path)

    def inspect(self, *more: Path, job: Path | None = None) -> Inspection:
        return inspect(self.design_path, [self.photo_path, *more], self.frame_path, job or self.job_path)


@dataclass(frozen=True)
class Studio:
    """Makes jobs in one folder."""

    folder: Path
    layout: FrameLayout
    drawing: Path
    other_drawing: Path
    frame: Path

    def shoot(
        self,
        name: str,
        *,
        undersize_mm: Mapping[int, float] | None = None,
        shift: Mapping[int, tuple[float, float, float]] | None = None,
        scene: SceneSettings = SCENE,
        seed: int = 1,
    ) -> Shoot:
        """One fit of the cells, neighbouring names cut with opposite faces up; faults go by piece number."""
        design = read_design(self.drawing)
        ids = [piece.id for piece in design.pieces]
        facing = {piece: ("up" if k % 2 else "down") for k, piece in enumerate(ids)}
        rng = np.random.default_rng(seed)
        fit = cut_and_tape(
            design,
            ShopSettings(
                undersize_mm={ids[k]: v for k, v in (undersize_mm or {}).items()},
                shift={ids[k]: v for k, v in (shift or {}).items()},
                facing=facing,
            ),
            rng,
        )
        truth = photograph(fit, self.layout.card, (0.0, 0.0), scene, rng)
        photo = self.folder / f"{name}.jpg"
        photo.write_bytes(truth.file_bytes())
        job = self.folder / f"{name}.toml"
        lines = [f'view = "{scene.view}"'] + [f'[pieces.{p}]\nfacing = "{f}"' for p, f in facing.items()]
        job.write_text("\n".join(lines), encoding="utf-8")
        return Shoot(self.drawing, self.frame, job, photo, fit, truth)


@pytest.fixture(scope="session")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Studio:
    folder = tmp_path_factory.mktemp("studio")
    width, height = PANEL_MM
    drawing, other, frame = folder / "cells.svg", folder / "other.svg", folder / "frame.svg"
    drawing.write_text(designs.cells(5, count=10, width_mm=width, height_mm=height).svg, encoding="utf-8")
    other.write_text(designs.cells(77, count=10, width_mm=width, height_mm=height).svg, encoding="utf-8")
    frame.write_text(frame_svg(*OPENING_MM), encoding="utf-8")
    return Studio(folder, frame_layout(*OPENING_MM), drawing, other, frame)


@pytest.fixture(scope="session")
def faulty_front(studio: Studio) -> Shoot:
    """Piece number 4 is 0.14 mm too small all round; front view."""
    return studio.shoot("front", undersize_mm={4: 0.14})


@pytest.fixture(scope="session")
def faulty_back(studio: Studio) -> Shoot:
    """The same fit turned over: seen from the back."""
    return studio.shoot("back", undersize_mm={4: 0.14}, scene=replace(SCENE, view="back", angle_deg=-4.0))


@pytest.fixture(scope="session")
def shifted(studio: Studio) -> Shoot:
    """All pieces a good size, with ample play; piece number 4 pushed aside."""
    return studio.shoot("shifted", shift={4: (0.045, 0.02, 0.0)})


@pytest.fixture(scope="session")
def overexposed(studio: Studio) -> Shoot:
    return studio.shoot("overexposed", scene=replace(SCENE, develop=DevelopSettings(exposure=1.5)))


@pytest.fixture(scope="session")
def blurred(studio: Studio) -> Shoot:
    return studio.shoot("blurred", scene=replace(SCENE, develop=DevelopSettings(blur_sigma_px=6.5)))


@pytest.fixture(scope="session")
def inspected() -> Callable[[Shoot], Inspection]:
    """Inspect a job once a session."""
    done: dict[Path, Inspection] = {}

    def look(shoot: Shoot) -> Inspection:
        if shoot.photo_path not in done:
            done[shoot.photo_path] = shoot.inspect()
        return done[shoot.photo_path]

    return look


@pytest.fixture(scope="session")
def front_photo(faulty_front: Shoot, studio: Studio) -> tuple[Photo, Reference]:
    photo = read_photo(faulty_front.photo_path)
    return photo, find_reference(photo, studio.layout, card_thickness_mm=0.6)
