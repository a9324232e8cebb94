"""The radiance that reaches every pixel of the simulated camera."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon

from gapscan.simulate.develop import gaussian_blur
from gapscan.simulate.light import LightSettings, Solid, bare_light, open_share, silhouette, wood_glow
from gapscan.simulate.optics import PinholeCamera, project_outline
from gapscan.simulate.raster import coverage_in, window_of

Image = NDArray[np.float32]


@dataclass(frozen=True)
class Tape:
    """A translucent strip, table coordinates.

    transmission  share of the light that comes through; diffusion: share of that which is spread out
    """

    outline: Polygon
    height_mm: float
    transmission: float
    diffusion: float
    spread_px: float


@dataclass(frozen=True)
class Stage:
    """Everything in front of the camera, table coordinates (mm)."""

    solids: tuple[Solid, ...]
    lightbox: Polygon
    tapes: tuple[Tape, ...] = ()


def radiance(stage: Stage, camera: PinholeCamera, settings: LightSettings) -> Iterator[Image]:
    """Linear light per channel in the order red, green, blue, each (H, W) float32, before lens and sensor.

    open · L + (1 − open) · glow · L, then the tapes. One channel at a time, to keep memory low.
    """
    shape = (camera.size_px[1], camera.size_px[0])
    regions = [silhouette(camera, solid) for solid in stage.solids]
    clear = open_share(regions, shape)
    bare = bare_light(camera, settings, project_outline(camera, stage.lightbox, 0.0), shape)
    glow = wood_glow(stage.solids, regions, settings, shape)
    for level in settings.level:
        channel = glow.pop(0)
        # clear + (1 - clear) * glow, in place
        channel -= clear * channel
        channel += clear
        channel *= bare
        channel *= np.float32(level)
        _lay_tapes(channel, stage.tapes, camera)
        yield channel


def _lay_tapes(channel: Image, tapes: Sequence[Tape], camera: PinholeCamera) -> None:
    """Dim and diffuse the light under each tape, in place."""
    for tape in tapes:
        region = project_outline(camera, tape.outline, tape.height_mm)
        # the diffused part draws on light from beside the tape
        margin_px = 1.0 + 5.0 * tape.spread_px
        window = window_of(region, (channel.shape[0], channel.shape[1]), margin_px=margin_px)
        if window is None:
            continue
        under = channel[window.slices]
        share = coverage_in(shapely.make_valid(region), window)
        spread = gaussian_blur(np.ascontiguousarray(under), tape.spread_px)
        taped = tape.transmission * ((1.0 - tape.diffusion) * under + tape.diffusion * spread)
        under += share * (taped.astype(np.float32) - under)
