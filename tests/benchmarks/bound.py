"""The Cramér-Rao bound of a slit's width on one profile, and how near the fit comes to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

WIDTHS_PX = (0.3, 0.6, 1.0, 2.0, 4.0, 6.0)
BLURS_PX = (0.7, 1.0, 1.6, 2.5)
RATIO_LIMIT = 1.5
WOOD = 0.05  # of bare light
NOISE = 0.01  # of bare light, one sample: about what a phone's camera has there, averaged over a station
_WOOD_PX = 3.7  # beside the blurred slit, as the program has it at 17 px/mm
_TRIALS = 1000


def slit_profile(x: FloatArray, width: float, centre: float, left: float, right: float, sigma: float) -> FloatArray:
    """Bare light 1 from centre − width/2 to centre + width/2 between two woods, blurred by a Gaussian: closed form."""
    from scipy.special import erf

    a, b = (0.5 * (1 + erf((x - centre + side * width / 2) / (np.sqrt(2) * sigma))) for side in (1, -1))
    return np.asarray(left * (1 - a) + (a - b) + right * b)


def width_bound(x: FloatArray, width: float, centre: float, sigma: float, noise: float, *, wood: float = WOOD) -> float:
    """Least standard deviation of any unbiased width from samples at ``x`` with white Gaussian noise.

    Bare light is known; width, centre and both wood levels are free. Square root of the width's element of the inverse
    Fisher information J^T J / noise² (Kay 1993, Fundamentals of Statistical Signal Processing: Estimation Theory,
    3.7 and 3.9; from memory), derivatives by central differences.
    """
    p = np.array([width, centre, wood, wood])
    steps = 1e-5 * np.eye(4)
    J = np.column_stack([(slit_profile(x, *(p + s), sigma) - slit_profile(x, *(p - s), sigma)) / 2e-5 for s in steps])
    return float(noise * np.sqrt(np.linalg.inv(J.T @ J)[0, 0]))


@dataclass(frozen=True)
class Scatter:
    """The fit on many noisy profiles of one slit, all in px."""

    width: float
    blur: float
    bound: float
    scatter: float
    bias: float

    @property
    def ratio(self) -> float:
        """Scatter over bound; 1 is as good as can be."""
        return self.scatter / self.bound


def fit_scatter(width: float, blur: float, *, trials: int = _TRIALS, seed: int = 0) -> Scatter:
    """Scatter and bias of the program's fit at random phases, beside the bound."""
    from gapscan.measure.width import fit_slits

    rng = np.random.default_rng([seed, round(100 * width), round(100 * blur)])
    half = _WOOD_PX + 3.5 * blur + width / 2
    x = np.arange(-np.ceil(half) - 1, np.ceil(half) + 2)
    x = x[np.abs(x) <= half]
    centres = rng.uniform(-0.5, 0.5, trials)
    clean = np.array([slit_profile(x, width, c, WOOD, WOOD, blur) for c in centres])
    found = fit_slits(
        x,
        clean + rng.normal(0.0, NOISE, clean.shape),
        np.ones(clean.shape),
        bare=np.ones(trials),
        sigma=np.full(trials, blur),
        centre=np.zeros(trials),
    ).width
    bounds = [width_bound(x, width, c, blur, NOISE) for c in np.linspace(-0.5, 0.5, 11)]
    return Scatter(width, blur, float(np.mean(bounds)), float(found.std(ddof=1)), float(found.mean() - width))


def print_bounds() -> int:
    """Print the table; the number of slits whose scatter is above the limit."""
    print(
        f"\nsingle profiles, noise {NOISE:g} of bare light: scatter of the width / Cramér-Rao bound (scatter, bias in px)"
    )
    print(f"{'width px':<9}" + "".join(f"{f'blur {blur:g} px':>26}" for blur in BLURS_PX))
    over = 0
    for width in WIDTHS_PX:
        cells = []
        for blur in BLURS_PX:
            one = fit_scatter(width, blur)
            flag = "!" if one.ratio > RATIO_LIMIT else " "
            over += one.ratio > RATIO_LIMIT
            cells.append(f"{one.ratio:>9.2f}{flag} ({one.scatter:.4f}, {one.bias:+.4f})")
        print(f"{width:<9g}" + "".join(f"{cell:>26}" for cell in cells))
    print(f"{over} of {len(WIDTHS_PX) * len(BLURS_PX)} above {RATIO_LIMIT:g}")
    return int(over)


if __name__ == "__main__":
    raise SystemExit(int(print_bounds() > 0))
