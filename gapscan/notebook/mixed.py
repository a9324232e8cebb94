"""A linear mixed model with priors on how large each kind of effect is.

    y = Z b + e,   b_j ~ N(0, σ²_term(j)),   e_i ~ N(0, u_i² + w_i τ²)

Everything is an effect: an overall mean or a slope is one with a wide σ given beforehand, the levels of a group are
effects that share an unknown σ. With a very wide σ for the mean the marginal likelihood is, up to a constant, the
restricted one (REML: Patterson & Thompson 1971; Harville 1974); given the σ, the effects' conditional mean is the best
linear unbiased prediction and its covariance Henderson's (Henderson 1975; Searle, Casella & McCulloch, Variance
Components, ch. 7). Unknown σ and τ are those of highest posterior density in log σ under a log-normal prior, so that a
group of one or two levels neither gets σ = 0 nor any at all.

All of it costs the cube of the number of effects, not of the observations (Woodbury's identity).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize
from scipy.sparse import csr_matrix, diags_array

FloatArray = NDArray[np.float64]

_SMALLEST, _LARGEST = 1e-5, 10.0


@dataclass(frozen=True)
class Spread:
    """How far effects of one kind, or what is left, lie from nil.

    sd        the standard deviation, or with ``factor`` the middle of what is thought of it
    factor    the unknown one lies within this factor of ``sd`` with 68 % probability; 1: it is known. Infinite: nothing
              is thought of it beforehand, which gives plain REML
    """

    sd: float
    factor: float = 1.0


@dataclass(frozen=True)
class Fitted:
    """A fitted model.

    sd          (T,) standard deviation of each term
    residual_sd τ
    mean, covariance  (Q,) and (Q, Q) of the effects given the observations
    log_likelihood   marginal, priors on σ left out
    """

    sd: FloatArray
    residual_sd: float
    mean: FloatArray
    covariance: FloatArray
    log_likelihood: float

    def predict(self, rows: csr_matrix) -> tuple[FloatArray, FloatArray]:
        """Mean (M,) and covariance (M, M) of rows · effects, without the residual."""
        return np.asarray(rows @ self.mean), np.asarray(rows @ (rows @ self.covariance).T)


@dataclass(frozen=True)
class _Problem:
    y: FloatArray
    u: FloatArray
    weight: FloatArray
    Z: csr_matrix
    term: NDArray[np.int64]

    @cached_property
    def turned(self) -> csr_matrix:
        return self.Z.T.tocsr()

    def condensed(self, sd: FloatArray, tau: float) -> tuple[FloatArray, FloatArray, FloatArray, float, float]:
        """G½, Cholesky factor of I + G½ZᵀD⁻¹ZG½, G½ZᵀD⁻¹y, yᵀD⁻¹y and Σ log D."""
        variance = self.u**2 + self.weight * tau**2
        root = sd[self.term]
        scaled = self.turned @ diags_array(1.0 / variance)
        M = (scaled @ self.Z).toarray() * np.outer(root, root)
        M[np.diag_indices_from(M)] += 1.0
        lower, _ = cho_factor(M, lower=True, check_finite=False)
        right = root * (scaled @ self.y)
        return root, np.tril(lower), right, float((self.y**2 / variance).sum()), float(np.log(variance).sum())

    def log_likelihood(self, sd: FloatArray, tau: float) -> float:
        _, lower, right, square, log_d = self.condensed(sd, tau)
        inner = np.asarray(cho_solve((lower, True), right))
        log_v = log_d + 2.0 * float(np.log(np.diag(lower)).sum())
        return -0.5 * (log_v + square - float(right @ inner) + len(self.y) * float(np.log(2 * np.pi)))


def fit(
    y: FloatArray,
    u: FloatArray,
    Z: csr_matrix,
    term: NDArray[np.int64],
    spreads: Sequence[Spread],
    residual: Spread,
    *,
    weight: FloatArray | None = None,
) -> Fitted:
    """Fit the model.

    y, u     (N,) observations and their standard uncertainties
    Z        (N, Q) design; ``term`` (Q,) says of which kind each effect is
    spreads  one a kind; ``residual`` is that of τ
    weight   (N,) how much of τ² an observation holds; 1 where not given
    """
    problem = _Problem(y, u, np.ones(len(y)) if weight is None else weight, Z, term)
    every = (*spreads, residual)
    free = np.array([k for k, s in enumerate(every) if s.factor != 1.0], np.int64)
    start = np.log([s.sd for s in every])
    width = np.log([s.factor for s in every])
    if len(y) == 0:
        free = free[:0]

    def unpack(x: FloatArray) -> tuple[FloatArray, float]:
        full = start.copy()
        full[free] = x
        values = np.exp(full)
        return values[:-1], float(values[-1])

    def loss(x: FloatArray) -> float:
        prior = float((((x - start[free]) / width[free]) ** 2).sum())
        return -problem.log_likelihood(*unpack(x)) + 0.5 * prior

    x = start[free]
    if len(free):
        found = minimize(
            loss, x, method="L-BFGS-B", bounds=[(np.log(_SMALLEST), np.log(_LARGEST))] * len(free),
            options={"ftol": 1e-12, "gtol": 1e-6, "maxiter": 200},
        )  # fmt: skip
        x = found.x
    sd, tau = unpack(x)
    root, lower, right, _, _ = problem.condensed(sd, tau)
    inverse = np.asarray(cho_solve((lower, True), np.eye(len(root))))
    return Fitted(
        sd=sd,
        residual_sd=tau,
        mean=root * (inverse @ right),
        covariance=inverse * np.outer(root, root),
        log_likelihood=problem.log_likelihood(sd, tau),
    )
