"""How much a species moves across the grain, from the handbook's table; no guesses for those that it does not list.

Values: USDA Forest Products Laboratory, Wood Handbook (FPL-GTR-190), chapter 13, Table 13-5, dimensional change
coefficients per percent of moisture content, radial and tangential, valid from 6 to 14 %. Rows marked ``recalled`` are from
memory and not looked up.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from gapscan.job import Sawn

VALID_PERCENT = (6.0, 14.0)
# From tree to tree (Wood Handbook, chapter 4: coefficient of variation of about 15 %; from memory).
_TREE_REL_U = 0.15
# Along the grain 0.1 to 0.2 % from green to dry (Wood Handbook, chapter 4), over about 30 % of moisture (equation 13-3).
ALONG_PER_PERCENT = 0.0015 / 30.0
U_ALONG_PER_PERCENT = 0.0005 / 30.0 / 3**0.5


@dataclass(frozen=True)
class Species:
    """One row of the table: strain per percent of moisture content, radial and tangential."""

    name: str
    radial: float
    tangential: float
    recalled: bool = False

    def across(self, sawn: Sawn) -> tuple[float, float]:
        """Strain per percent across the grain in the sheet's plane, and its standard uncertainty.

        A flat-sliced sheet moves tangentially, a quartered one radially. Where that is not told it lies anywhere between
        (rectangular distribution, JCGM 100, 4.3.7).
        """
        if sawn == "flat":
            return self.tangential, _TREE_REL_U * self.tangential
        if sawn == "quarter":
            return self.radial, _TREE_REL_U * self.radial
        middle = 0.5 * (self.radial + self.tangential)
        between = (self.tangential - self.radial) / (2.0 * 3**0.5)
        return middle, ((_TREE_REL_U * middle) ** 2 + between**2) ** 0.5


_ROWS: tuple[tuple[Species, tuple[str, ...]], ...] = (
    (Species("red alder", 0.00151, 0.00256), ("alder",)),
    (Species("apple", 0.00205, 0.00376), ("applewood",)),
    (Species("black ash", 0.00172, 0.00274), ()),
    (Species("white ash", 0.00169, 0.00274), ("american ash", "green ash", "ash")),
    (Species("quaking aspen", 0.00119, 0.00234), ("aspen",)),
    (Species("american basswood", 0.00230, 0.00330), ("basswood", "american lime", "american linden")),
    (Species("american beech", 0.00190, 0.00431), ("beech",)),
    (Species("paper birch", 0.00219, 0.00304), ("white birch",)),
    (Species("yellow birch", 0.00256, 0.00338), ("sweet birch", "american birch", "birch")),
    (Species("butternut", 0.00116, 0.00223), ("white walnut",)),
    (Species("northern catalpa", 0.00085, 0.00169), ("catalpa",)),
    (Species("black cherry", 0.00126, 0.00248), ("american cherry", "cherry")),
    (Species("american chestnut", 0.00116, 0.00234), ()),
    (Species("eastern cottonwood", 0.00133, 0.00327), ("cottonwood",)),
    (Species("american elm", 0.00144, 0.00338), ("white elm",)),
    (Species("slippery elm", 0.00169, 0.00315), ("red elm",)),
    (Species("hackberry", 0.00165, 0.00315), ()),
    (Species("pecan hickory", 0.00169, 0.00315), ("pecan",)),
    (Species("honeylocust", 0.00144, 0.00230), ("honey locust",)),
    (Species("black locust", 0.00158, 0.00252), ("robinia", "false acacia")),
    (Species("pacific madrone", 0.00194, 0.00451), ("madrone", "madrona")),
    (Species("southern magnolia", 0.00187, 0.00230), ("magnolia",)),
    (Species("bigleaf maple", 0.00126, 0.00248), ("pacific maple",)),
    (Species("red maple", 0.00137, 0.00289), ("soft maple",)),
    (Species("silver maple", 0.00102, 0.00252), ()),
    (Species("sugar maple", 0.00165, 0.00353), ("hard maple", "rock maple", "black maple", "bird's eye maple", "maple")),
    (Species("red oak", 0.00158, 0.00369), ("american red oak",)),
    (Species("white oak", 0.00180, 0.00365), ("american white oak",)),
    (Species("common persimmon", 0.00278, 0.00403), ("persimmon",)),
    (Species("sassafras", 0.00137, 0.00216), ()),
    (Species("sweetgum", 0.00183, 0.00365), ("sweet gum", "red gum", "satin walnut")),
    (Species("american sycamore", 0.00172, 0.00296), ("american plane",)),
    (Species("black tupelo", 0.00176, 0.00308), ("tupelo", "black gum")),
    (Species("black walnut", 0.00190, 0.00274), ("walnut", "american walnut", "american black walnut")),
    (Species("yellow-poplar", 0.00158, 0.00289, recalled=True), ("tulip poplar", "american tulipwood")),
    (Species("white fir", 0.00112, 0.00245), ()),
    (Species("eastern white pine", 0.00071, 0.00212), ("white pine", "american yellow pine")),
    (Species("holly", 0.00165, 0.00353, recalled=True), ("american holly",)),
    (Species("mahogany", 0.00172, 0.00238, recalled=True), ("american mahogany", "honduras mahogany", "swietenia")),
    (Species("spanish-cedar", 0.00141, 0.00219, recalled=True), ("cedro", "cedrela")),
    (Species("teak", 0.00101, 0.00186, recalled=True), ("burma teak",)),
)  # fmt: skip
_AS_SAWN = r"\b(veneer|flat[- ]?(sliced|sawn|cut)|crown[- ]?cut|quarter(ed|[- ]?(sawn|sliced|cut))|sheet)\b"


def find_species(material: str) -> Species | None:
    """The row that a job's ``material`` names: its name or a trade name, whatever the case; None where there is none.

    Words that say how a sheet was made ("veneer", "quartered") are passed over. Nothing else is: "walnut burr" is not
    walnut, for a burr has no one grain, and "European walnut" is another species. A bare "walnut" or "maple" is the species
    that the North American trade sells by that name (common practice, no source); who uses it must say so.
    """
    return _BY_NAME.get(_plain(re.sub(_AS_SAWN, " ", material.casefold())))


def _plain(name: str) -> str:
    return " ".join(re.sub(r"[-_,]", " ", name.casefold()).split())


_BY_NAME = {_plain(name): row for row, others in _ROWS for name in (row.name, *others)}
