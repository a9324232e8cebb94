"""A simulated shop whose cuts give only part of an asked change of offset."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from shapely.geometry import MultiPolygon, Polygon

from gapscan.pipeline import inspect
from gapscan.recut.offset import offset_outline
from gapscan.report.types import Inspection
from gapscan.report.writers import write_outputs
from gapscan.simulate.scene import photograph
from gapscan.simulate.second_round import Care, cut_again_and_tape
from gapscan.simulate.shop import DryFit
from tests.conftest import SCENE, Shoot, Studio

CARE = Care(repeat_mm=0.0)


@dataclass
class Shop:
    """One job through its rounds, in ``folder``; ``fit`` is the dry fit as it lies now.

    given  share of every change of offset that a cut gives
    cut_mm what all changes so far gave in truth, by id; the first cut is from the drawing itself
    """

    studio: Studio
    first: Shoot
    folder: Path
    given: float
    fit: DryFit
    cut_mm: dict[str, float]
    number: int = 0

    def inspected(self, *, after: Path | None = None, job: Path | None = None, photo: Path | None = None) -> Path:
        """Photograph the fit as it lies, inspect it and write round N's folder."""
        self.number += 1
        if photo is None:
            photo = self.folder / f"photo{self.number}.jpg"
            rng = np.random.default_rng([77, self.number])
            shot = photograph(self.fit, self.studio.layout.card, (0.0, 0.0), SCENE, rng)
            photo.write_bytes(shot.file_bytes())
        out = self.folder / f"round{self.number}"
        found: Inspection = inspect(
            self.first.design_path, [photo], self.first.frame_path, job or self.first.job_path, after_path=after
        )
        write_outputs(found, out)
        return out

    def recut(self, changes: Mapping[str, float]) -> None:
        """Cut these pieces anew, each with a change of offset of which the cut gives only a part, and tape."""
        outlines: dict[str, Polygon | MultiPolygon] = {}
        for name, change in changes.items():
            self.cut_mm[name] = self.cut_mm.get(name, 0.0) + self.given * change
            outlines[name] = offset_outline(self.fit.design.piece(name).polygon, self.cut_mm[name])
        rng = np.random.default_rng([78, self.number])
        self.fit = cut_again_and_tape(self.fit, outlines, rng, care=CARE)
