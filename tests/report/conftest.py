"""Specimens for every test of the writers."""

import pytest

from gapscan.report.types import Inspection
from tests.report.specimens import grid_inspection

HOSTILE = {"p01": "<script>alert(1)</script>", "p02": 'leaf 🍂 "x" & [red]'}


@pytest.fixture
def board() -> Inspection:
    return grid_inspection()


@pytest.fixture
def hostile() -> Inspection:
    """A board whose pieces carry names that would break a careless writer."""
    return grid_inspection(names=HOSTILE)
