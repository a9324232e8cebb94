"""How blurred the picture is, from the slits themselves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapscan.measure.stations import PlacedStations
from gapscan.measure.width import fit_slits

FloatArray = NDArray[np.float64]

_SETTLED_PX = 0.005
_MOST_STATIONS = 400
_TRIALS_PX = np.geomspace(0.45, 6.0, 10)


@dataclass(frozen=True)
class Blur:
    """Gaussian blur of the picture.

    sigma_px  standard deviation in pixels; relative_u its relative standard uncertainty
    correlation  factor (≥ 1) by which neighbouring samples' correlation (grain, JPEG, interpolation) widens the
              standard errors of the fits
    """

    sigma_px: float
    relative_u: float
    correlation: float

    def sigma_mm(self, stations: PlacedStations) -> FloatArray:
        """(N,) blur on the sheet at these stations."""
        return self.sigma_px / stations.scale_px_mm


def estimate_blur(
    offsets: FloatArray,
    profile: FloatArray,
    stations: PlacedStations,
    bare: FloatArray,
    width: FloatArray,
    pitch_mm: float,
) -> Blur:
    """Blur that lets the slit model fit best over a sample of clear stations (a coarse scan, then refined)."""
    from scipy.optimize import minimize_scalar

    clear = (stations.room_mm > 0.7) & stations.inside & (width > 0.02) & (width < 0.4)
    chosen = np.flatnonzero(clear)
    if len(chosen) < 20:
        return Blur(1.3, 0.25, 1.0)
    chosen = chosen[:: max(1, len(chosen) // _MOST_STATIONS)]
    px = 1.0 / stations.scale_px_mm[chosen]
    rows = profile[chosen]
    zero = np.zeros(len(chosen))

    def cost(sigma_px: float) -> float:
        sigma = sigma_px * px
        half = np.minimum(stations.room_mm[chosen] - 0.12, 0.22 + 4.0 * sigma)
        weight = np.clip((half[:, None] - np.abs(offsets[None, :])) / pitch_mm + 0.5, 0, 1)
        fit = fit_slits(offsets, rows, weight, bare=bare[chosen], sigma=sigma, centre=zero)
        return float(np.median((fit.noise / bare[chosen]) ** 2))

    costs = [cost(s) for s in _TRIALS_PX]
    k = int(np.clip(np.argmin(costs), 1, len(costs) - 2))
    between = (float(_TRIALS_PX[k - 1]), float(_TRIALS_PX[k + 1]))
    sigma_px = float(minimize_scalar(cost, bounds=between, method="bounded", options={"xatol": _SETTLED_PX}).x)
    sigma = sigma_px * px
    weight = np.clip((0.22 + 3.5 * sigma[:, None] - np.abs(offsets[None, :])) / pitch_mm + 0.5, 0, 1)
    fit = fit_slits(offsets, rows, weight, bare=bare[chosen], sigma=sigma, centre=zero)
    return Blur(float(sigma_px), 0.03, _correlation_factor(offsets, rows, weight, fit, bare[chosen], sigma))


def _correlation_factor(
    offsets: FloatArray, profile: FloatArray, weight: FloatArray, fit: object, bare: FloatArray, sigma: FloatArray
) -> float:
    """√((1 + ρ)/(1 − ρ)) from the lag-one correlation of the residuals (first-order autoregressive noise)."""
    from gapscan.measure.width import SlitFit, slit_model

    assert isinstance(fit, SlitFit)
    residual = (profile - slit_model(offsets, fit, bare=bare, sigma=sigma)) * (weight > 0.5)
    both = (weight[:, 1:] > 0.5) & (weight[:, :-1] > 0.5)
    rho = float((residual[:, 1:] * residual[:, :-1])[both].sum() / max((residual[:, 1:] ** 2)[both].sum(), 1e-12))
    rho = float(np.clip(rho, 0.0, 0.85))
    return float(np.sqrt((1 + rho) / (1 - rho)))
