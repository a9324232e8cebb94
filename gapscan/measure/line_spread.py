"""The shape of the blur, from the edges of the scale frame, and what a Gaussian in its place does to a slit's width.

Real blur is no Gaussian: diffraction has long tails, a defocused lens none. The slit model (:mod:`gapscan.measure.width`)
is Gaussian, and what falls outside its bell is taken for light of the wood, so that widths come out a few percent off.
The frame's straight edges show the line spread function itself. Slits of known width are drawn with it, fitted as the
photo's own slits are, and the share by which they come out wrong is taken off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gapscan.measure.uncertainty import combined
from gapscan.measure.width import SlitFit, fit_slits
from gapscan.photo.edge_spread import REACH_PX, EdgeSpread, pooled

FloatArray = NDArray[np.float64]

# Elements of the spread: half a pixel apart in the core, wider in the tails.
_PLACES = np.r_[np.arange(0.0, 8.0, 0.5), 9.0, 11.0, 14.0, 18.0, 23.0]
_BELLS = np.r_[np.full(16, 0.35), 0.7, 1.2, 1.7, 2.2, 2.7]
_WIDTHS = np.array([0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0])  # in blurs
_PHASES = 4
_PLACE_SHARE = 0.5  # the frame lies elsewhere in the picture: half of the correction is in doubt
_NO_EDGES_U = 0.03  # Gaussian assumed, shape unseen
_CLIPPED = 0.97
_NUDGE = 0.02
_SAME_BLUR = 0.12
_SOUGHT = 0.7


@dataclass(frozen=True)
class LineSpread:
    """A symmetric line spread function: pairs of Gaussians at ±``place_px`` (K,) of sigma ``bell_px`` (K,).

    Their ``share`` (K,) of the light sums to one.
    """

    place_px: FloatArray
    share: FloatArray
    bell_px: FloatArray

    @property
    def sigma_px(self) -> float:
        """Standard deviation."""
        return float(np.sqrt(self.share @ (self.place_px**2 + self.bell_px**2)))

    def stretched(self, scale: float) -> LineSpread:
        """The same shape, so many times as wide."""
        return LineSpread(self.place_px * scale, self.share, self.bell_px * scale)

    def slit(self, x_px: FloatArray, width_px: FloatArray) -> FloatArray:
        """Light of slits of these widths (W,) at places (M,), bare light 1, dark wood: (W, M)."""
        from scipy.special import ndtr

        half = width_px[:, None, None] / 2
        total = np.zeros((len(width_px), len(x_px), len(self.place_px)))
        for side in (-1.0, 1.0):
            at = x_px[None, :, None] + side * self.place_px
            total += 0.5 * (ndtr((at + half) / self.bell_px) - ndtr((at - half) / self.bell_px))
        return np.asarray(total @ self.share)


@dataclass(frozen=True)
class ShapeEffect:
    """Share by which a Gaussian model makes slits too wide, against their width in blurs.

    widths (W,) in units of the blur's sigma; excess (W,); u (W,) its standard uncertainty; per_sigma (W,) relative
    change of the width for a relative change of sigma
    """

    widths: FloatArray
    excess: FloatArray
    u: FloatArray
    per_sigma: FloatArray

    def at(self, ratio: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Excess, its uncertainty and the sensitivity to sigma (N,) for slits of these widths in blurs."""
        x = np.clip(ratio, self.widths[0], self.widths[-1])
        # Beyond the widest, the two edges stand apart and the error no longer grows with the width.
        fade = self.widths[-1] / np.maximum(ratio, self.widths[-1])
        e, u, s = (np.interp(x, self.widths, v) * fade for v in (self.excess, self.u, self.per_sigma))
        return e, u, s


def gaussian_spread(sigma_px: float) -> LineSpread:
    """A plain Gaussian."""
    return LineSpread(np.zeros(1), np.ones(1), np.array([sigma_px]))


def line_spread(side: EdgeSpread) -> LineSpread | None:
    """Non-negative least squares for the line spread that blurred this edge; None where it cannot be found.

    ISO 12233 differentiates the edge spread; a sum of narrow bells whose integral is fitted does the same and keeps
    the noise out. Dark level and a slow slope (glare, uneven light) are fitted along.
    """
    from scipy.optimize import nnls
    from scipy.special import ndtr

    x = side.distance_px[:, None] - side.crossing_px()
    shown = -float(x.min()) > _PLACES + _BELLS
    places, bells = _PLACES[shown], _BELLS[shown]
    edge = (ndtr((x - places) / bells) + ndtr((x + places) / bells)) / 2
    ramp = np.maximum(x, 0.0) / REACH_PX  # the lightbox may be uneven; the card is not
    A = np.hstack([edge, np.ones((len(x), 1)), ramp, -ramp])
    root = np.sqrt(side.count)
    try:
        share = nnls(A * root[:, None], side.light * root)[0][: len(places)]
    except RuntimeError:
        return None
    if share.sum() <= 0:
        return None
    return LineSpread(places, share / share.sum(), bells)


def shape_effect(sides: Sequence[EdgeSpread], sigma_px: float, wood_px: float) -> ShapeEffect:
    """How slits under this photo's blur come out of the Gaussian fit.

    sigma_px the blur found from the slits; wood_px the wood that the fit takes in on each side beyond 3.5 sigma. The
    scatter of the four sides and half of the correction (the frame lies elsewhere in the picture than the slits) make
    up its uncertainty.
    """
    clear = [side for side in sides if np.median(side.light[side.distance_px > 0.6 * REACH_PX]) < _CLIPPED]
    chosen = [side for side in clear if side.whole]
    if not chosen:
        together = pooled(clear)
        chosen = [together] if together is not None and together.whole else []
    spreads = [s for s in (line_spread(side) for side in chosen) if s is not None]
    per_sigma = _sensitivity(sigma_px, wood_px)
    if not spreads:
        return ShapeEffect(_WIDTHS, np.zeros(len(_WIDTHS)), np.full(len(_WIDTHS), _NO_EDGES_U), per_sigma)
    mean = _mean(spreads)
    # The same lens draws both, and how sigma is chosen is a matter of taste within a tenth. An edge that is plainly
    # softer than the slits was cut or printed softly: then its shape is carried over, its size is the slits' own.
    suiting = _suiting_sigma(mean, wood_px, sigma_px)
    scale = sigma_px / suiting if abs(np.log(sigma_px / suiting)) > _SAME_BLUR else 1.0
    each = np.stack([_excess(s.stretched(scale), wood_px, sigma_px) for s in spreads])
    excess = each.mean(axis=0)
    scatter = each.std(axis=0, ddof=1) / np.sqrt(len(each)) if len(each) > 1 else np.abs(excess)
    return ShapeEffect(_WIDTHS, excess, combined(scatter, _PLACE_SHARE * excess), per_sigma)


def _mean(spreads: Sequence[LineSpread]) -> LineSpread:
    """Mean of line spreads; a short one shows nothing in the far tails."""
    longest = max(spreads, key=lambda s: len(s.share))
    total = np.zeros(len(longest.share))
    for spread in spreads:
        total[: len(spread.share)] += spread.share / len(spreads)
    return replace(longest, share=total)


def _suiting_sigma(spread: LineSpread, wood_px: float, sigma_px: float) -> float:
    """The sigma of the Gaussian that suits this spread best: by the misfit of slits, as the photo's own blur is found."""
    from scipy.optimize import minimize_scalar

    def misfit(log_sigma: float) -> float:
        fit = _fitted(spread, wood_px, float(np.exp(log_sigma)), _WIDTHS * sigma_px)
        return float(np.median(fit.noise**2))

    middle = float(np.log(sigma_px))
    bounds = (middle - _SOUGHT, middle + _SOUGHT)
    return float(np.exp(minimize_scalar(misfit, bounds=bounds, method="bounded", options={"xatol": 0.01}).x))


def _fitted(spread: LineSpread, wood_px: float, sigma_px: float, widths_px: FloatArray) -> SlitFit:
    """Slits of these widths (W,), each at every phase of the pixels, drawn with the spread and fitted as in a photo."""
    width = np.repeat(widths_px, _PHASES)
    phase = np.tile(np.arange(_PHASES) / _PHASES, len(widths_px))
    half = wood_px + 3.5 * sigma_px + width / 2
    x = np.arange(-np.ceil(half.max()), np.ceil(half.max()) + 1)
    profile = np.empty((len(width), len(x)))
    for shift in np.unique(phase):
        own = phase == shift
        profile[own] = spread.slit(x - shift, width[own])
    weight = np.clip(half[:, None] - np.abs(x) + 0.5, 0.0, 1.0)
    one = np.ones(len(width))
    return fit_slits(x, profile, weight, bare=one, sigma=sigma_px * one, centre=0.0 * one)


def _excess(spread: LineSpread, wood_px: float, sigma_px: float) -> FloatArray:
    """Relative error (W,) of widths drawn with this spread and fitted with a Gaussian of ``sigma_px``."""
    fit = _fitted(spread, wood_px, sigma_px, _WIDTHS * sigma_px)
    return np.asarray(fit.width.reshape(-1, _PHASES).mean(axis=1) / (_WIDTHS * sigma_px) - 1)


def _sensitivity(sigma_px: float, wood_px: float) -> FloatArray:
    """Relative change (W,) of a Gaussian-blurred slit's width for a relative change of the sigma assumed."""
    return np.asarray(np.abs(_excess(gaussian_spread(sigma_px / (1 + _NUDGE)), wood_px, sigma_px) / _NUDGE))
