"""What the solver writes by itself must not reach the user's output."""

from __future__ import annotations

import os

import numpy as np
from scipy import optimize

from gapscan.recut.solver import milp


def test_the_answer_is_scipys():
    goal = np.array([1.0, 2.0])
    need = optimize.LinearConstraint(np.array([[1.0, 1.0]]), 1.5, np.inf)
    bounds = optimize.Bounds(0, 1)
    np.testing.assert_allclose(milp(goal, constraints=need, bounds=bounds).x, [1.0, 0.5])


def test_what_is_written_below_python_is_swallowed_and_output_comes_back(capfd, monkeypatch):
    def loud(*_args, **_options):
        os.write(1, b"a line of the solver's own\n")

    monkeypatch.setattr(optimize, "milp", loud)
    milp(np.zeros(1))
    os.write(1, b"after\n")
    assert capfd.readouterr().out == "after\n"
