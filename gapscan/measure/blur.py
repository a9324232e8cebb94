"""How blurred the picture is, and where more and where less, from the slits themselves.

A lens is sharper in the middle than in the corners, and a tilted camera is in focus along one line only: the logarithm
of the blur is a plane with a dish on top, where the photo shows that it is, and else one figure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapscan.measure.stations import PlacedStations
from gapscan.measure.width import fit_slits

FloatArray = NDArray[np.float64]

_SETTLED_PX = 0.03
_MOST_STATIONS = 120  # enough for a first guess, which all of them then mend
_FIELD_STATIONS = 700
_PROBE = 0.06  # in ln σ
_LEAST_U = 0.003
_STANDS_OUT = 16.3  # chi-square of three terms, one case in a thousand
_LEAST_CHANGE = 0.03
_ILL_CONDITIONED = 20.0
_MOST_CHANGE = 1.0
_STATIONS_A_READING = 4.0
_TRIALS_PX = np.geomspace(0.45, 6.0, 10)


@dataclass(frozen=True)
class Blur:
    """Gaussian blur of the picture.

    sigma_px  standard deviation in pixels where most slits lie; relative_u its relative standard uncertainty
    correlation  factor (≥ 1) by which neighbouring samples' correlation (grain, JPEG, interpolation) widens the
              standard errors of the fits
    field     ln(σ / sigma_px) by (1, x, y, x² + y²) of the place in the sheet, from centre_mm, in units of span_mm
    """

    sigma_px: float
    relative_u: float
    correlation: float
    field: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    centre_mm: tuple[float, float] = (0.0, 0.0)
    span_mm: float = 1.0

    def sigma_mm(self, stations: PlacedStations) -> FloatArray:
        """(N,) blur on the sheet at these stations."""
        terms = _terms(stations.xy_mm, self.centre_mm, self.span_mm)
        change = np.clip(terms @ np.array(self.field), -_MOST_CHANGE, _MOST_CHANGE)
        return np.asarray(self.sigma_px * np.exp(change) / stations.scale_px_mm)


def _terms(xy_mm: FloatArray, centre_mm: tuple[float, float], span_mm: float) -> FloatArray:
    x, y = ((xy_mm - np.array(centre_mm)) / span_mm).T
    return np.column_stack([np.ones(len(x)), x, y, x**2 + y**2])


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
    correlation = _correlation_factor(offsets, rows, weight, fit, bare[chosen], sigma)
    many = np.flatnonzero(clear)
    many = many[:: max(1, len(many) // _FIELD_STATIONS)]
    overall = Blur(sigma_px, _LEAST_U, correlation)
    return _with_field(overall, offsets, profile[many], stations.at(many), bare[many], pitch_mm)


def _with_field(
    overall: Blur,
    offsets: FloatArray,
    profile: FloatArray,
    stations: PlacedStations,
    bare: FloatArray,
    pitch_mm: float,
) -> Blur:
    """Each station's misfit is a parabola in ln σ near the best: its lowest place is what that station says of the blur.

    Robust least squares over all of them gives the field, if it stands out from its uncertainty, and the uncertainty of
    the blur in the middle.
    """
    sigma = overall.sigma_mm(stations)
    zero = np.zeros(len(sigma))
    half = np.minimum(stations.room_mm - 0.12, 0.22 + 4.0 * sigma)
    weight = np.clip((half[:, None] - np.abs(offsets[None, :])) / pitch_mm + 0.5, 0, 1)
    freedom = np.maximum(weight.sum(axis=1) - 4, 1.0)
    less, same, more = (
        fit_slits(offsets, profile, weight, bare=bare, sigma=sigma * np.exp(k * _PROBE), centre=zero).noise ** 2
        * freedom
        for k in (-1, 0, 1)
    )
    bend = less - 2 * same + more
    good = bend > 1e-3 * np.median(np.abs(bend))
    if good.sum() < 20:
        return overall
    says = np.clip(_PROBE / 2 * (less - more)[good] / bend[good], -1.0, 1.0)
    # bend / _PROBE² is twice the information times the noise's square.
    precision = bend[good] / _PROBE**2 / np.maximum(same[good] / freedom[good], 1e-12) / 2 / overall.correlation**2
    xy = stations.xy_mm[good]
    centre = tuple(float(v) for v in np.median(xy, axis=0))
    span = max(float(np.abs(xy - np.array(centre)).max()), 1.0)
    terms = _terms(xy, (centre[0], centre[1]), span)
    found, covariance = _robust(terms[:, :1], says, precision)
    chosen, of_chosen = _robust(terms, says, precision)
    # Slits along one line say nothing of the blur beside it.
    spread_out = np.linalg.cond(terms / np.sqrt(len(terms))) < _ILL_CONDITIONED
    bends = float(chosen[1:] @ np.linalg.pinv(of_chosen[1:, 1:]) @ chosen[1:])
    if spread_out and bends > _STANDS_OUT and np.ptp(terms[:, 1:] @ chosen[1:]) > _LEAST_CHANGE:
        middle = float(np.median(terms @ chosen))
        field = (float(chosen[0] - middle), *(float(v) for v in chosen[1:]))
        u = float(np.sqrt(np.mean(np.einsum("ni,ij,nj->n", terms, of_chosen, terms))))
    else:
        middle, field, u = float(found[0]), (0.0, 0.0, 0.0, 0.0), float(np.sqrt(covariance[0, 0]))
    return Blur(
        overall.sigma_px * float(np.exp(middle)),
        max(u, _LEAST_U),
        overall.correlation,
        field,  # type: ignore[arg-type]
        (centre[0], centre[1]),
        span,
    )


def _robust(A: FloatArray, y: FloatArray, precision: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weighted least squares with Tukey's biweight; coefficients and covariance, scaled by the scatter found."""
    precision = np.minimum(precision, 10 * np.median(precision))  # no single station decides
    x: FloatArray = np.zeros(A.shape[1])
    x[0] = float(np.median(y))
    w: FloatArray = precision
    for _ in range(6):
        t = (y - A @ x) * np.sqrt(precision)
        spread = max(1.4826 * float(np.median(np.abs(t))), 1e-6)
        w = precision * np.clip(1 - (t / (4.685 * spread)) ** 2, 0, None) ** 2
        x = np.asarray(np.linalg.pinv((A * w[:, None]).T @ A) @ ((A * w[:, None]).T @ y))
    # Neighbouring stations, a quarter of a millimetre apart, share their grain: about four make one reading.
    t = (y - A @ x) * np.sqrt(precision)
    spread = 1.4826 * float(np.median(np.abs(t)))
    covariance = np.linalg.pinv((A * w[:, None]).T @ A) * spread**2 * _STATIONS_A_READING
    return x, np.asarray(covariance, dtype=float)


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
