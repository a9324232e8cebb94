"""Profiles across a slit or an edge to width and place, with standard errors.

Model of a slit (all in linear light): left wood level ``B_l`` up to a, bare light L from a to b, right wood level
``B_r`` beyond, the whole blurred by a Gaussian σ:

    I(x) = B_l (1 − Φ((x − a)/σ)) + L (Φ((x − a)/σ) − Φ((x − b)/σ)) + B_r Φ((x − b)/σ)

L is known from the bare lightbox. A slit narrower than the blur does not get narrower in the picture but dimmer; with
L known its width stays determined (the fit's sensitivity to w tends to that of the excess integral
``∫ (I − B)/(L − B) dx``, which any blur kernel of unit area leaves alone). The fit is Gauss–Newton on (w, c, B_l, B_r),
all stations at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_ROUNDS = 9
_SETTLED = 1e-4  # of the blur
_SQRT_2PI = float(np.sqrt(2 * np.pi))


@dataclass(frozen=True)
class SlitFit:
    """Fitted slits, all (N,), in the unit of the offsets.

    width may be negative by noise where there is no light. ``noise`` is the residual scatter of one sample;
    ``u_width``, ``u_centre`` follow from it and the fit's curvature. ``left``, ``right`` are the wood levels.
    """

    width: FloatArray
    centre: FloatArray
    left: FloatArray
    right: FloatArray
    u_width: FloatArray
    u_centre: FloatArray
    noise: FloatArray


def fit_slits(
    offset: FloatArray,
    profile: FloatArray,
    weight: FloatArray,
    *,
    bare: FloatArray,
    sigma: FloatArray,
    centre: FloatArray,
    hold_centre: bool = False,
) -> SlitFit:
    """Fit one slit a row.

    offset (M,) places along the normal; profile, weight (N, M) linear light and 0..1 weights; bare (N,) the bare-light
    level; sigma (N,) the blur, centre (N,) where to start, both in the unit of the offsets. With ``hold_centre`` the
    slit stays at ``centre``: a slit too dim to show its place must not go looking for the brightest streak of grain.
    """
    x = offset[None, :]
    total = np.maximum(weight.sum(axis=1), 1e-9)
    left, right = _side_levels(x, profile, weight, centre)
    wood = (left + right) / 2
    pitch = float(offset[1] - offset[0])
    excess = ((profile - wood[:, None]) * weight).sum(axis=1) * pitch
    width = np.clip(excess / np.maximum(bare - wood, 1e-3), 0.05 * sigma, 8 * sigma + 1e-9)
    p = np.column_stack([width, centre, left, right])
    reach = np.where(weight > 0, np.abs(x - centre[:, None]), 0).max(axis=1)
    active = np.arange(len(p))  # stations that have settled are left alone
    for _ in range(_ROUNDS):
        own_weight = weight[active]
        residual, J = _model(x, profile[active], p[active], bare[active], sigma[active])
        H, g = _normal_equations(J, own_weight, residual, hold_centre=hold_centre)
        step = np.linalg.solve(H, g[..., None])[..., 0]
        s = sigma[active]
        step[:, 1] = np.clip(step[:, 1], -0.7 * s, 0.7 * s)
        step[:, 0] = np.clip(step[:, 0], -2.0 * s, 2.0 * s)
        p[active] += step
        p[active, 1] = np.clip(p[active, 1], centre[active] - 0.6 * reach[active], centre[active] + 0.6 * reach[active])
        active = active[np.abs(step[:, :2]).max(axis=1) > _SETTLED * s]
        if len(active) == 0:
            break
    residual, J = _model(x, profile, p, bare, sigma)
    freedom = np.maximum(total - 4, 1.0)
    noise = np.sqrt((weight * residual**2).sum(axis=1) / freedom)
    inverse = np.linalg.inv(_normal_equations(J, weight, residual, hold_centre=hold_centre)[0])
    u = np.sqrt(np.maximum(np.einsum("nii->ni", inverse), 0)) * noise[:, None]
    return SlitFit(p[:, 0], p[:, 1], p[:, 2], p[:, 3], u[:, 0], u[:, 1], noise)


def _normal_equations(
    J: FloatArray, weight: FloatArray, residual: FloatArray, *, hold_centre: bool
) -> tuple[FloatArray, FloatArray]:
    """Weighted J^T J (N, 4, 4) and J^T r (N, 4), damped by a pinch: a dark slit has no centre to be found."""
    weighted = (J * weight[..., None]).transpose(0, 2, 1)
    H = weighted @ J
    H += np.eye(4) * (1e-9 * np.trace(H, axis1=1, axis2=2) + 1e-12)[:, None, None]
    H[:, 1, 1] += 1e12 if hold_centre else 1e-6
    return H, (weighted @ residual[..., None])[..., 0]


def _side_levels(
    x: FloatArray, profile: FloatArray, weight: FloatArray, centre: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Starting wood levels: the darker half of the samples on each side."""
    levels = []
    for side in (x < centre[:, None], x > centre[:, None]):
        chosen = np.where(side & (weight > 0), profile, np.nan)
        dark = np.sort(chosen, axis=1)
        count = np.maximum(np.isfinite(chosen).sum(axis=1), 1)
        levels.append(np.nan_to_num(dark[np.arange(len(dark)), count // 3]))
    return levels[0], levels[1]


def _model(
    x: FloatArray, profile: FloatArray, p: FloatArray, bare: FloatArray, sigma: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Residual (N, M) and Jacobian (N, M, 4) of the model by (w, c, B_l, B_r)."""
    from scipy.special import ndtr

    w, c, left, right = (p[:, k, None] for k in range(4))
    s, L = sigma[:, None], bare[:, None]
    za, zb = (x - c + w / 2) / s, (x - c - w / 2) / s
    Fa, Fb = ndtr(za), ndtr(zb)
    model = left * (1 - Fa) + L * (Fa - Fb) + right * Fb
    da = (L - left) * np.exp(-za * za / 2) / (_SQRT_2PI * s)  # minus the derivative by a
    db = (L - right) * np.exp(-zb * zb / 2) / (_SQRT_2PI * s)
    J = np.empty((*model.shape, 4))
    J[..., 0] = (da + db) / 2
    J[..., 1] = db - da
    J[..., 2] = 1 - Fa
    J[..., 3] = Fb
    return profile - model, J


@dataclass(frozen=True)
class EdgeFit:
    """Fitted edges, all (N,): place, dark and bright level, standard error of the place, residual scatter."""

    place: FloatArray
    dark: FloatArray
    bright: FloatArray
    u_place: FloatArray
    noise: FloatArray


def fit_edges(
    offset: FloatArray, profile: FloatArray, weight: FloatArray, *, sigma: FloatArray, place: FloatArray
) -> EdgeFit:
    """Fit one blurred step a row: dark on the left, bright on the right (``I = D + (B − D) Φ((x − e)/σ)``)."""
    from scipy.special import ndtr

    x = offset[None, :]
    s = sigma[:, None]
    e = place.copy()
    reach = np.where(weight > 0, np.abs(x), 0).max(axis=1)
    dark = bright = np.zeros(len(e))
    inverse = np.zeros((len(e), 3, 3))
    residual = np.zeros_like(profile)
    for _ in range(_ROUNDS):
        z = (x - e[:, None]) / s
        F = ndtr(z)
        # The two levels are linear: solve them exactly, then step the place.
        A = np.stack([1 - F, F], axis=-1)
        H = np.einsum("nmi,nm,nmj->nij", A, weight, A) + 1e-9 * np.eye(2)
        levels = np.linalg.solve(H, np.einsum("nmi,nm->ni", A, weight * profile)[..., None])[..., 0]
        dark, bright = levels[:, 0], levels[:, 1]
        residual = profile - np.einsum("nmi,ni->nm", A, levels)
        slope = -(bright - dark)[:, None] * np.exp(-z * z / 2) / (_SQRT_2PI * s)
        J = np.stack([slope, 1 - F, F], axis=-1)
        H3 = np.einsum("nmi,nm,nmj->nij", J, weight, J) + 1e-9 * np.eye(3)
        inverse = np.linalg.inv(H3)
        step = np.einsum("nij,nj->ni", inverse, np.einsum("nmi,nm->ni", J, weight * residual))[:, 0]
        e = np.clip(e + np.clip(step, -sigma, sigma), -reach, reach)
    freedom = np.maximum(weight.sum(axis=1) - 3, 1.0)
    noise = np.sqrt((weight * residual**2).sum(axis=1) / freedom)
    return EdgeFit(e, dark, bright, np.sqrt(np.maximum(inverse[:, 0, 0], 0)) * noise, noise)


def slit_model(offset: FloatArray, fit: SlitFit, *, bare: FloatArray, sigma: FloatArray) -> FloatArray:
    """The fitted profiles (N, M) at offsets (M,)."""
    p = np.column_stack([fit.width, fit.centre, fit.left, fit.right])
    zero = np.zeros((len(p), len(offset)))
    return -_model(offset[None, :], zero, p, bare, sigma)[0]
