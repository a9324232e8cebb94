"""The sparse solution and the inverse by Cholesky, against numpy's dense routines."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import csc_matrix

from gapscan.solve.adjust import _inverse, _normal_matrix, _solved
from gapscan.solve.model import centroids, design_matrix, make_blocks, mean_bends

from .forward import Pose, board, survey_of


@pytest.fixture(scope="module")
def system():
    """Rows of a real board with weights over six orders of magnitude, some of them nought."""
    design = board(5, 4)
    survey = survey_of(design, {p.id: Pose(0.04) for p in design.pieces})
    blocks = make_blocks(design, survey)
    A = design_matrix(blocks, len(design.pieces), centroids(design).mean(axis=0), 40.0, mean_bends(design, survey))
    rng = np.random.default_rng(0)
    weight = 10.0 ** rng.uniform(0, 6, A.shape[0]) * (rng.uniform(size=A.shape[0]) > 0.1)
    information = 10.0 ** rng.uniform(0, 4, A.shape[1])
    return A, weight, information, blocks.value


def dense(A, weight, information) -> np.ndarray:
    full = A.toarray()
    return full.T @ (weight[:, None] * full) + np.diag(information)


def test_the_sparse_solution_is_the_dense_one(system):
    A, weight, information, value = system
    right = A.T @ (weight * value)
    wanted = np.linalg.solve(dense(A, weight, information), right)
    np.testing.assert_allclose(_solved(_normal_matrix(A, weight, information), right), wanted, rtol=1e-7, atol=1e-12)


def test_the_inverse_is_whole_and_symmetric(system):
    A, weight, information, _ = system
    found = _inverse(_normal_matrix(A, weight, information))
    np.testing.assert_array_equal(found, found.T)
    np.testing.assert_allclose(found @ dense(A, weight, information), np.eye(len(found)), atol=1e-8)


def test_a_matrix_that_is_not_positive_definite_is_no_answer():
    with pytest.raises(np.linalg.LinAlgError, match="positive definite"):
        _inverse(csc_matrix(np.diag([1.0, -1.0])))
