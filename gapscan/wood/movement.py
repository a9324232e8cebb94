"""From moisture, species and grain to the change of every gap.

A piece strains by C · ΔM across its grain and hardly along it (Wood Handbook, FPL-GTR-190, chapter 13, equation 13-2:
ΔD = D · C · (M_F − M_I)), which is the tensor E = ε_across (I − g gᵀ) + ε_along g gᵀ with g the direction of the grain.
Taped, each piece moves about its own centroid c: its boundary at x by E (x − c). With the normal n from the first piece to
the second the gap grows by n · (E_b (x − c_b) − E_a (x − c_a)).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapscan.job import Job
from gapscan.recut.types import PlanInput
from gapscan.text import named
from gapscan.wood.moisture import change_between, moisture_at
from gapscan.wood.species import ALONG_PER_PERCENT, U_ALONG_PER_PERCENT, VALID_PERCENT, find_species
from gapscan.wood.types import Movement

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class _Woods:
    """Of every piece (P): unit vector along the grain (P, 2), coefficient and its uncertainty (NaN where not known), number
    of the kind (species and cut: what one tree does, all of a kind do), and why there is no figure."""

    grain: FloatArray
    across: FloatArray
    u_across: FloatArray
    kind: IntArray
    why: tuple[str, ...]


def wood_movement(given: PlanInput, job: Job) -> Movement | None:
    """Expected change of the gaps; None where the job file has no [air].

    Uncertainty (JCGM 100, 5.1.2 and 5.2.2): the change of moisture is one influence on all pieces; the coefficient is one
    for pieces of one kind, and independent between kinds. Grain is taken as straight and told rightly.
    """
    if job.air is None:
        return None
    cut = moisture_at(job.air.cut_rh_percent, job.air.cut_celsius)
    use = moisture_at(job.air.use_rh_percent, job.air.use_celsius)
    change, u_change = change_between(cut, use)
    woods = _woods(given.ids, job)
    w = given.windows
    centre = np.array([(p.centroid.x, p.centroid.y) for p in given.outlines]).reshape(-1, 2)
    # Reach of each side along the normal, split into across and along its grain: (K, 2 sides)
    across, along = np.zeros((2, len(w.seam), 2))
    for side, (piece, sign) in enumerate(((w.first, -1.0), (w.second, 1.0))):
        arm, g = w.place_mm - centre[piece], woods.grain[piece]
        on_grain = (arm * g).sum(axis=1) * (w.normal * g).sum(axis=1)
        along[:, side] = sign * on_grain
        across[:, side] = sign * ((arm * w.normal).sum(axis=1) - on_grain)
    pieces = np.column_stack([w.first, w.second])
    run, u_run = _change(across, along, pieces, woods, change, u_change)
    count = len(given.seam_ids)
    total = np.bincount(w.seam, weights=w.length_mm, minlength=count).astype(float)
    of_seam = np.array([_mean_by_seam(x, w.seam, w.length_mm, total) for x in (*across.T, *along.T)])
    sides = np.zeros((count, 2), np.int64)
    sides[w.seam] = pieces
    seam, u_seam = _change(of_seam[:2].T, of_seam[2:].T, sides, woods, change, u_change)
    empty = total <= 0
    seam[empty] = u_seam[empty] = np.nan
    why = tuple(
        "too short to be told" if empty[s] else "; ".join(dict.fromkeys(woods.why[k] for k in sides[s] if woods.why[k]))
        for s in range(count)
    )
    return Movement(given.seam_ids, run, u_run, seam, u_seam, why, cut, use, u_change, _unknown(given.ids, job))


def _change(
    across: FloatArray, along: FloatArray, pieces: IntArray, woods: _Woods, change: float, u_change: float
) -> tuple[FloatArray, FloatArray]:
    """Change of the gap (N,) and its standard uncertainty, from each side's reach (N, 2)."""
    per_percent = (across * woods.across[pieces]).sum(axis=1) + along.sum(axis=1) * ALONG_PER_PERCENT
    by_tree = across * woods.u_across[pieces]
    alike = woods.kind[pieces[:, 0]] == woods.kind[pieces[:, 1]]
    u_tree = np.where(alike, np.abs(by_tree.sum(axis=1)), np.hypot(*by_tree.T))
    u_along = along.sum(axis=1) * U_ALONG_PER_PERCENT
    u = np.sqrt((per_percent * u_change) ** 2 + change**2 * (u_tree**2 + u_along**2))
    return per_percent * change, u


def _mean_by_seam(values: FloatArray, seam: IntArray, length: FloatArray, total: FloatArray) -> FloatArray:
    return np.asarray(np.bincount(seam, weights=values * length, minlength=len(total)) / np.maximum(total, 1e-9))


def _woods(ids: tuple[str, ...], job: Job) -> _Woods:
    grain, across = np.zeros((len(ids), 2)), np.full((len(ids), 2), np.nan)
    kinds: dict[tuple[str, str], int] = {}
    kind, why = np.zeros(len(ids), np.int64), []
    for k, name in enumerate(ids):
        settings = job.settings(name)
        species = find_species(settings.material)
        reasons = []
        if settings.grain_deg is None:
            reasons.append(f"no grain_deg for {name}")
        else:
            turn = np.deg2rad(settings.grain_deg)
            grain[k] = np.cos(turn), np.sin(turn)
        if not settings.material:
            reasons.append(f"no material for {name}")
        elif species is None:
            reasons.append(f"no coefficient for '{settings.material}' on file")
        else:
            kind[k] = kinds.setdefault((species.name, settings.sawn), len(kinds))
            if settings.grain_deg is not None:
                across[k] = species.across(settings.sawn)
        why.append("; ".join(reasons))
    return _Woods(grain, across[:, 0], across[:, 1], kind, tuple(why))


def _unknown(ids: tuple[str, ...], job: Job) -> tuple[str, ...]:
    """What keeps movement from being computed, and what it rests on where that is not the table's own ground."""
    settings = [job.settings(name) for name in ids]
    said = []
    for material in sorted({s.material for s in settings if s.material and find_species(s.material) is None}):
        said.append(f"no coefficient for '{material}' on file; movement not computed")
    for material in sorted({s.material for s in settings if s.material}):
        species = find_species(material)
        if species is not None and species.name.casefold() not in material.casefold():
            said.append(f"movement of the wood: '{material}' is taken as {species.name}")
    for key, lost in (
        ("grain_deg", [name for name, s in zip(ids, settings, strict=True) if s.grain_deg is None]),
        ("material", [name for name, s in zip(ids, settings, strict=True) if not s.material]),
    ):
        if lost:
            said.append(f"no {key} told for {named(lost)}; movement of the wood not computed there")
    assert job.air is not None
    told = (job.air.cut_rh_percent, job.air.cut_celsius), (job.air.use_rh_percent, job.air.use_celsius)
    low, high = VALID_PERCENT
    if any(not low <= moisture_at(*one).percent <= high for one in told):
        said.append(
            f"wood moisture outside {low:.0f} to {high:.0f} %, for which the handbook gives its coefficients: the movement "
            "of the wood is a rough figure"
        )
    return tuple(said)
