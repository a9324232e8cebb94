"""Light through the sheet: which rays pass, how bright the lightbox is, how the wood glows.

Linear light throughout, 1.0 = the encoding's white. Colour channels in the order red, green, blue.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from gapscan.simulate.optics import PinholeCamera, project_outline
from gapscan.simulate.raster import Window, coverage, coverage_in, window_of

FloatArray = NDArray[np.float64]
Image = NDArray[np.float32]

# Share of the light that passes 0.6 mm of the veneer: red, green, blue. No source; pale woods glow reddish.
GLOW: dict[str, tuple[float, float, float]] = {
    "holly": (0.25, 0.12, 0.05),
    "maple": (0.20, 0.09, 0.035),
    "ash": (0.17, 0.075, 0.028),
    "pear": (0.11, 0.045, 0.016),
    "cherry": (0.08, 0.030, 0.010),
    "walnut": (0.035, 0.012, 0.004),
}


@dataclass(frozen=True)
class LightSettings:
    """The lightbox and what lies on it.

    level         bare light at the picture's centre: red, green, blue
    tilt_share    the light's slope across the picture (x, y), as a share from the centre to the edge
    bulge_share   how much the lightbox falls off towards its edges
    vignetting    share of the cos⁴ law that the lens follows
    bump_share    a round bright (negative: dark) patch of the lightbox; bump_at (u, v) its middle and bump_sigma its
                  Gaussian width, in half the picture's longer side from the picture's centre
    glow          material -> share of light that passes: red, green, blue
    grain_share   strength of the grain in the glow
    card_glow     light through the frame's card
    """

    level: tuple[float, float, float] = (0.90, 0.89, 0.87)
    tilt_share: tuple[float, float] = (0.03, -0.02)
    bulge_share: float = 0.05
    vignetting: float = 0.15
    bump_share: float = 0.0
    bump_at: tuple[float, float] = (0.0, 0.0)
    bump_sigma: float = 0.2
    glow: Mapping[str, tuple[float, float, float]] = field(default_factory=lambda: dict(GLOW))
    grain_share: float = 0.25
    card_glow: float = 0.002


@dataclass(frozen=True)
class Solid:
    """Something flat and opaque on the lightbox, in table coordinates (mm).

    lower, upper  outlines of its faces; upper_mm is the height of the upper one (the lower one lies on
                  the glass)
    material      "" for the card
    grain_deg     direction of the grain in the picture
    seed          of its grain
    """

    lower: BaseGeometry
    upper: BaseGeometry
    upper_mm: float
    material: str
    grain_deg: float
    seed: int


def silhouette(camera: PinholeCamera, solid: Solid) -> BaseGeometry:
    """Pixels' plane region whose rays hit the solid: its lower face, its upper face.

    A ray passes between two solids exactly when it misses all lower outlines at the glass and all upper
    ones at their height: walls and rays are straight, so what is clear at both faces is clear between them.
    """
    lower = project_outline(camera, solid.lower, 0.0)
    upper = project_outline(camera, solid.upper, solid.upper_mm)
    return shapely.union(_valid(lower), _valid(upper))


def _valid(geometry: BaseGeometry) -> BaseGeometry:
    return geometry if geometry.is_valid else shapely.make_valid(geometry)


def open_share(regions: Sequence[BaseGeometry], shape: tuple[int, int]) -> Image:
    """Share of each pixel through which the lightbox itself is seen; (H, W) float32."""
    opaque = coverage(shapely.union_all(list(regions)), shape)
    np.subtract(1.0, opaque, out=opaque)
    return opaque


def bare_light(
    camera: PinholeCamera, settings: LightSettings, box_region: BaseGeometry, shape: tuple[int, int]
) -> Image:
    """Brightness of the bare lightbox relative to ``level``; 0 beyond the lightbox's limits; (H, W)
    float32."""
    rows, columns = shape
    half = max(rows, columns) / 2
    v = ((np.arange(rows, dtype=np.float32) - camera.principal_px[1]) / half)[:, None]
    u = ((np.arange(columns, dtype=np.float32) - camera.principal_px[0]) / half)[None, :]
    r2 = u * u + v * v
    light = 1.0 + settings.tilt_share[0] * u + settings.tilt_share[1] * v - settings.bulge_share * r2
    if settings.bump_share:
        away2 = (u - settings.bump_at[0]) ** 2 + (v - settings.bump_at[1]) ** 2
        light *= 1.0 + settings.bump_share * np.exp(-0.5 * away2 / settings.bump_sigma**2)
    # cos⁴ law of illumination, followed in part: lenses and phones correct most of it
    cos4 = (1.0 + r2 * (half / camera.focal_px) ** 2) ** -2
    light *= 1.0 - settings.vignetting * (1.0 - cos4)
    light *= coverage(box_region, shape)
    return np.asarray(light, dtype=np.float32)


def wood_glow(
    solids: Sequence[Solid], regions: Sequence[BaseGeometry], settings: LightSettings, shape: tuple[int, int]
) -> list[Image]:
    """Share of the light that the wood (or card) in each pixel passes: red, green, blue, each (H, W) float32.

    Where several silhouettes meet in a pixel their glows are averaged by area.
    """
    weight = np.full(shape, 1e-6, dtype=np.float32)
    channels = [np.full(shape, 1e-6 * settings.card_glow, dtype=np.float32) for _ in range(3)]
    for solid, region in zip(solids, regions, strict=True):
        window = window_of(region, shape)
        if window is None:
            continue
        share = coverage_in(region, window)
        weight[window.slices] += share
        if solid.material:
            tint = settings.glow.get(solid.material, (0.15, 0.06, 0.025))
            share *= 1.0 + settings.grain_share * _grain(window, solid.grain_deg, solid.seed)
        else:
            tint = (settings.card_glow,) * 3
        for channel, passes in zip(channels, tint, strict=True):
            channel[window.slices] += np.float32(passes) * share
    for channel in channels:
        np.divide(channel, weight, out=channel)
    return channels


def _grain(window: Window, grain_deg: float, seed: int, *, along_px: float = 90.0, across_px: float = 4.0) -> Image:
    """Streaks along the grain, mean 0, about ±1; looked up in a smooth random table that repeats."""
    import cv2

    rng = np.random.default_rng(seed)
    table = rng.standard_normal((256, 256)).astype(np.float32)
    table = np.tanh(0.6 * table + 0.5 * np.repeat(table[:, :16], 16, axis=1))
    a = np.deg2rad(grain_deg)
    v = np.arange(window.height, dtype=np.float32)[:, None]
    u = np.arange(window.width, dtype=np.float32)[None, :]
    along = (np.float32(np.cos(a) / along_px) * u + np.float32(np.sin(a) / along_px) * v) % 256
    across = (np.float32(-np.sin(a) / across_px) * u + np.float32(np.cos(a) / across_px) * v) % 256
    return np.asarray(cv2.remap(table, along, across, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP), dtype=np.float32)
