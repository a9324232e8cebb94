"""Simulated jobs at four levels of picture: ideal, good, typical, hard. Seeds fixed; optics are the simulator's own.

What a maker's photo leaves unknown differs from job to job, as it does in life, so that the stated uncertainty is put to
the test: the shape of the blur (its size is the level's), how far the focal length in the file is off, how far the
camera's tone curve departs from sRGB, how much light the lens scatters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gapscan.design.types import Design
from gapscan.simulate import designs
from gapscan.simulate.develop import DevelopSettings
from gapscan.simulate.drawing import Drawing
from gapscan.simulate.light import GLOW, LightSettings
from gapscan.simulate.optics import CameraSettings
from gapscan.simulate.scene import SceneSettings
from gapscan.simulate.shop import ShopSettings

LEVELS = ("ideal", "good", "typical", "hard")
_KINDS = ("cells", "strips", "inlays", "rosette")
_WIDTH_PX = 4000
_BLUR_SHAPES = ("gaussian", "disc", "tailed")


@dataclass(frozen=True)
class LevelJob:
    """One job of a level: drawing, shop and scene, and the frame's opening."""

    name: str
    drawing: Drawing
    shop: ShopSettings
    scene: SceneSettings
    opening_mm: tuple[float, float]
    seed: int


def level_job(level: str, number: int) -> LevelJob:
    """Job ``number`` (0, 1, …) of a level."""
    seed = 1000 * (LEVELS.index(level) + 1) + number
    rng = np.random.default_rng(seed)
    width, height = {"ideal": (130.0, 85.0)}.get(level, (145.0, 97.0))
    kind = _KINDS[number % 4]
    drawing = _drawing(kind, seed, width, height)
    opening = (height + 35.0, height + 35.0) if kind == "rosette" else (width + 27.0, height + 27.0)
    shop = _shop(drawing.design(), rng, ragged_mm=0.010 if level == "hard" else 0.0)
    return LevelJob(f"{level}-{number}", drawing, shop, _scene(level, number, rng), opening, seed)


def _drawing(kind: str, seed: int, width: float, height: float) -> Drawing:
    if kind == "cells":
        return designs.cells(seed, count=24, width_mm=width, height_mm=height)
    if kind == "strips":
        return designs.strips(seed, width_mm=width, height_mm=height)
    if kind == "inlays":
        return designs.inlays(seed, width_mm=width, height_mm=height)
    return designs.rosette(seed, diameter_mm=height)


def _shop(design: Design, rng: np.random.Generator, *, ragged_mm: float) -> ShopSettings:
    """A shop with two bad pieces, spread losses, careless poses, and facings that alternate in every other job."""
    ids = [piece.id for piece in design.pieces]
    able = [piece.id for piece in design.pieces if piece.polygon.area > 60.0]
    bad = rng.choice(able, 2, replace=False)
    alternate = bool(rng.integers(2))
    woods = tuple(GLOW)
    return ShopSettings(
        undersize_mm={str(name): float(rng.uniform(0.09, 0.16)) for name in bad},
        ragged_rms_mm=ragged_mm,
        facing=dict.fromkeys(ids[1::2], "down") if alternate else {},
        material={name: woods[int(rng.integers(len(woods)))] for name in ids},
        base_loss_mm=0.025,
        loss_spread_mm=0.008,
        pose_spread_mm=0.02,
    )


def _scene(level: str, number: int, rng: np.random.Generator) -> SceneSettings:
    azimuth, roll = float(rng.uniform(0, 360)), float(rng.uniform(-3, 3))
    angle = float(rng.uniform(-4, 4))
    shape = _BLUR_SHAPES[number % len(_BLUR_SHAPES)]
    exif_error = float(rng.normal(0.0, 0.012))
    tone = float(np.clip(rng.normal(0.0, 0.005), -0.01, 0.01))
    scatter = float(rng.uniform(0.0, 0.02))
    uneven = (float(rng.uniform(-0.1, 0.1)), float(rng.uniform(-0.1, 0.1)))
    if level == "ideal":
        return SceneSettings(
            camera=CameraSettings(px_per_mm=20.0, equivalent_mm=_equivalent(3000.0, 20.0), roll_deg=roll),
            light=LightSettings(),
            develop=DevelopSettings(
                blur_sigma_px=0.8,
                blur_shape=shape,
                glare_share=0,
                halo_share=0,
                shot_noise=0,
                read_noise=0,
                file_type="png16",
                exif_error=exif_error,
            ),
            angle_deg=angle,
        )
    if level == "good":
        pale = {
            wood: tuple(min(v, cap) for v, cap in zip(rgb, (0.08, 0.04, 0.016), strict=True))
            for wood, rgb in GLOW.items()
        }
        return SceneSettings(
            camera=CameraSettings(
                px_per_mm=17.5,
                equivalent_mm=77,
                equivalent_by=("width", "diagonal")[number % 2],
                tilt_deg=3.0,
                azimuth_deg=azimuth,
                roll_deg=roll,
            ),
            light=LightSettings(glow=pale),  # type: ignore[arg-type]
            develop=DevelopSettings(
                blur_sigma_px=1.0,
                blur_shape=shape,
                quality=95,
                s_curve=tone,
                halo_share=scatter / 2,
                exif_error=exif_error,
            ),
            angle_deg=angle + (180.0 if number % 2 else 0.0),
        )
    if level == "typical":
        return SceneSettings(
            camera=CameraSettings(
                px_per_mm=17.0,
                equivalent_mm=round(_equivalent(float(rng.uniform(500, 700)), 17.0)),
                equivalent_by=("width", "diagonal")[number % 2],
                tilt_deg=5.0,
                azimuth_deg=azimuth,
                roll_deg=roll,
            ),
            light=LightSettings(tilt_share=uneven, bulge_share=0.10, grain_share=0.4),
            develop=DevelopSettings(
                blur_sigma_px=1.3,
                blur_shape=shape,
                quality=88,
                glare_share=0.03,
                halo_share=scatter,
                s_curve=tone,
                exif_error=exif_error,
            ),
            angle_deg=angle,
            tape_count=3,
        )
    return SceneSettings(
        camera=CameraSettings(
            px_per_mm=float(rng.uniform(10, 12)),
            equivalent_mm=52,
            tilt_deg=9.0,
            azimuth_deg=azimuth,
            roll_deg=roll,
            k1=0.03,
        ),
        light=LightSettings(tilt_share=uneven, bulge_share=0.10, grain_share=0.4),
        develop=DevelopSettings(
            blur_sigma_px=1.2,
            blur_shape=shape,
            quality=88,
            glare_share=0.03,
            halo_share=scatter,
            sharpen=0.6,
            s_curve=0.15 + tone,
            exif_error=exif_error,
        ),
        angle_deg=angle,
        tape_count=3,
        view="back",
    )


def _equivalent(height_mm: float, px_per_mm: float) -> float:
    """35 mm-equivalent focal length (by width) of a camera at this height with this scale."""
    return height_mm * px_per_mm / _WIDTH_PX * 36.0
