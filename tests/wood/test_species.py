"""The table of species against the handbook's other table: shrinkage from green to dry."""

from __future__ import annotations

import pytest

from gapscan.wood.species import _ROWS, find_species

# Wood Handbook (FPL-GTR-190), chapter 4, Table 4-3: shrinkage from green to oven-dry [%], radial and tangential.
SHRINKAGE = {
    "red alder": (4.4, 7.3), "black ash": (5.0, 7.8), "white ash": (4.9, 7.8), "quaking aspen": (3.5, 6.7),
    "american basswood": (6.6, 9.3), "american beech": (5.5, 11.9), "paper birch": (6.3, 8.6), "yellow birch": (7.3, 9.5),
    "butternut": (3.4, 6.4), "black cherry": (3.7, 7.1), "american chestnut": (3.4, 6.7),
    "eastern cottonwood": (3.9, 9.2), "american elm": (4.2, 9.5), "slippery elm": (4.9, 8.9), "hackberry": (4.8, 8.9),
    "pecan hickory": (4.9, 8.9), "sugar maple": (4.8, 9.9), "common persimmon": (7.9, 11.2), "sassafras": (4.0, 6.2),
    "sweetgum": (5.3, 10.2), "american sycamore": (5.0, 8.4), "black tupelo": (5.1, 8.7), "black walnut": (5.5, 7.8),
    "yellow-poplar": (4.6, 8.2), "eastern white pine": (2.1, 6.1), "holly": (4.8, 9.9), "white fir": (3.3, 7.0),
}  # fmt: skip


@pytest.mark.parametrize("name", SHRINKAGE)
def test_the_coefficients_follow_from_the_shrinkage(name):
    """Equation 13-3 at 10 % moisture: C = 1 / (3000 / S − 30 + 10), to the digits that the tables print."""
    species = find_species(name)
    assert species is not None
    for ours, shrinkage in zip((species.radial, species.tangential), SHRINKAGE[name], strict=True):
        assert ours == pytest.approx(1.0 / (3000.0 / shrinkage - 20.0), abs=1.05e-5)


def test_most_rows_are_checked_so():
    assert len(SHRINKAGE) >= 0.6 * len(_ROWS)


def test_names_of_the_trade():
    for told, name in (
        ("Walnut", "black walnut"), ("american black walnut veneer", "black walnut"), ("hard maple", "sugar maple"),
        ("White-Oak, quartered", "white oak"), ("  cherry ", "black cherry"), ("Yellow Poplar", "yellow-poplar"),
        ("quarter sawn sycamore", None), ("ash crown-cut", "white ash"),
    ):  # fmt: skip
        found = find_species(told)
        assert (None if found is None else found.name) == name, told


@pytest.mark.parametrize(
    "told",
    ["", "veneer", "oak", "wenge", "European walnut", "walnut burr", "mahogany, sapele", "dyed maple", "w" * 5000],
)
def test_no_guess(told):
    assert find_species(told) is None


def test_one_name_means_one_species():
    names = [name.casefold() for row, others in _ROWS for name in (row.name, *others)]
    assert len(names) == len(set(names))
    for row, _ in _ROWS:
        assert 0 < row.radial < row.tangential < 0.005


def test_flat_quartered_and_not_told():
    walnut = find_species("black walnut")
    assert walnut is not None
    assert walnut.across("flat")[0] == 0.00274
    assert walnut.across("quarter")[0] == 0.00190
    middle, u = walnut.across("")
    assert middle == pytest.approx(0.00232)
    # rectangular from one to the other (JCGM 100, 4.3.7) and 15 % from tree to tree
    assert u == pytest.approx(((0.00042**2) / 3 + (0.15 * 0.00232) ** 2) ** 0.5)
