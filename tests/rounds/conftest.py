"""Three rounds of one simulated job, worked once a session."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.conftest import Studio
from tests.rounds.workshop import Shop

GIVEN = 0.8  # share of an asked change that the simulated cut gives; nothing that measures knows of it


@dataclass(frozen=True)
class Worked:
    """The shop after its last cut, the result folders, and true undersize by id in every round."""

    shop: Shop
    folders: tuple[Path, ...]
    true_undersize_mm: tuple[dict[str, float], ...]

    def record(self, number: int) -> dict:
        return json.loads((self.folders[number - 1] / "fit.json").read_text(encoding="utf-8"))

    def changes(self, number: int) -> dict[str, float]:
        return {p["id"]: p["offset_change_mm"] for p in self.record(number)["pieces"] if p["verdict"] == "recut"}


@pytest.fixture(scope="session")
def worked(studio: Studio, tmp_path_factory: pytest.TempPathFactory) -> Worked:
    """Two pieces far too small; recut as advised, twice."""
    first = studio.shoot("rounds", undersize_mm={4: 0.42, 7: 0.36})
    shop = Shop(studio, first, tmp_path_factory.mktemp("rounds"), GIVEN, first.fit, {})
    folders: list[Path] = []
    sizes = []
    for number in range(1, 4):
        after = folders[-1] if folders else None
        folders.append(shop.inspected(after=after, photo=None if folders else first.photo_path))
        sizes.append({piece.id: piece.undersize_mm for piece in shop.fit.pieces})
        if number < 3:
            record = json.loads((folders[-1] / "fit.json").read_text(encoding="utf-8"))
            shop.recut({p["id"]: p["offset_change_mm"] for p in record["pieces"] if p["verdict"] == "recut"})
    return Worked(shop, tuple(folders), tuple(sizes))
