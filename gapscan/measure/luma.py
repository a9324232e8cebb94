"""From encoded luma to the share of bare light, where the wood is coloured.

Luma is a weighted sum of *encoded* channels (ITU-T T.871). Decoding it gives linear light exactly where all channels
are equal, that is for grey. Where a pixel is part bare light and part coloured wood,

    Y(m) = Σ_k w_k · E(m L_k + (1 − m) c_k)

with E the sRGB encoding, L the bare light's colour and c the wood's, is not quite linear in the share m once decoded: it
bulges by up to a percent for red-glowing wood and widens every slit by about a fiftieth of a pixel. The colours
beside the slit are in the photo, so the bulge is computed and taken out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapscan.measure.stations import SPACING_MM, PlacedStations
from gapscan.photo.camera import project
from gapscan.photo.load import LUMA_RGB, srgb_decode, srgb_encode
from gapscan.photo.types import Photo, Reference

FloatArray = NDArray[np.float64]

_ASIDE_MM = (0.35, 0.5)  # beyond the blur and JPEG's half-resolution colour
_ALONG_MM = 3.0


def wood_colour(
    photo: Photo, reference: Reference, stations: PlacedStations, centre_mm: FloatArray, *, height_mm: float
) -> FloatArray:
    """Linear red, green, blue (N, 3) of the wood beside each station: both sides, averaged over about 3 mm of seam."""
    from scipy.ndimage import uniform_filter1d

    if len(stations) == 0:
        return np.zeros((0, 3))
    asides = np.array([-a for a in _ASIDE_MM] + list(_ASIDE_MM))
    at = stations.xy_mm[:, None, :] + (centre_mm[:, None] + asides)[:, :, None] * stations.normal[:, None, :]
    uv = np.round(project(reference.camera, at.reshape(-1, 2), height_mm=height_mm)).astype(int)
    height, width = photo.light.shape
    bgr = photo.display_bgr[np.clip(uv[:, 1], 0, height - 1), np.clip(uv[:, 0], 0, width - 1)]
    rgb = srgb_decode(bgr[:, ::-1] / 255.0).reshape(len(stations), len(asides), 3)
    # The two darker of the four places: another slit or the moat may shine at the others.
    order = np.argsort(rgb.sum(axis=2), axis=1)[:, :2]
    rgb = np.take_along_axis(rgb, order[:, :, None], axis=1).mean(axis=1)
    span = max(1, round(_ALONG_MM / SPACING_MM))
    smooth: FloatArray = np.empty_like(rgb)
    for begin, end in stations.runs():
        smooth[begin:end] = uniform_filter1d(rgb[begin:end], min(span, end - begin), axis=0, mode="nearest")
    return smooth


def straighten(profile: FloatArray, wood_rgb: FloatArray, bare_rgb: FloatArray) -> FloatArray:
    """Profiles (N, M) of decoded luma made linear in the share of bare light.

    wood_rgb, bare_rgb (N, 3) linear colours on both ends of the mix. The bulge is taken as a cubic in the share, exact
    at one and three quarters.
    """

    def decoded(share: float) -> FloatArray:
        mix = share * bare_rgb + (1 - share) * wood_rgb
        code: FloatArray = srgb_encode(mix) @ LUMA_RGB
        return srgb_decode(code)

    dark, bright = decoded(0.0), decoded(1.0)
    span = np.maximum(bright - dark, 1e-3)
    # share = q − q(1 − q)·(quadratic in q), exact at the nodes; they lie low, where the encoding bends most
    nodes = (0.12, 0.36, 0.76)
    known = [(decoded(m) - dark) / span for m in nodes]
    bent = [(k - m) / np.maximum(k * (1 - k), 1e-6) for k, m in zip(known, nodes, strict=True)]
    q = (profile - dark[:, None]) / span[:, None]
    inside = np.clip(q, 0.0, 1.0)
    bulge = np.zeros_like(q)
    for i, k in enumerate(known):
        others = [o for j, o in enumerate(known) if j != i]
        apart = [np.where(np.abs(k - o) > 1e-6, k - o, 1e-6) for o in others]
        bulge += (
            (bent[i] / (apart[0] * apart[1]))[:, None] * (inside - others[0][:, None]) * (inside - others[1][:, None])
        )
    share = q - inside * (1 - inside) * bulge
    straight: FloatArray = dark[:, None] + span[:, None] * share
    return straight
