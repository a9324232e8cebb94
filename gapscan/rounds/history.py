"""The records of a job's rounds in their order, and what each says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from gapscan.errors import InputError
from gapscan.report.summary import summarise_seam, widest_gaps
from gapscan.rounds.before import read_before, refuse_other_design
from gapscan.rounds.compare import seam_looks
from gapscan.rounds.types import Before


@dataclass(frozen=True)
class PieceRound:
    """One piece in one round: the offset it was cut with, its undersize (None where not seen) and the change asked then
    (None where it was to be kept)."""

    offset_mm: float
    undersize_mm: float | None
    u_undersize_mm: float | None
    asked_mm: float | None


@dataclass(frozen=True)
class Round:
    """One round. ``widest_mm`` is the widest gap (3 mm mean) of any seam, ``mean_mm`` the mean over all seen seam length,
    each with its standard uncertainty; None where nothing was seen.

    wide, dark  ids of seams over tolerance, and of those not seen
    response    what the round's plan counted on, with its standard uncertainty; None in a first round
    """

    folder: str
    number: int
    tolerance_mm: float
    to_recut: tuple[str, ...]
    wide: tuple[str, ...]
    pressing: tuple[str, ...]
    dark: tuple[str, ...]
    widest_mm: float | None
    u_widest_mm: float | None
    widest_seam: str
    mean_mm: float | None
    u_mean_mm: float | None
    chance: float
    response: tuple[float, float] | None


@dataclass(frozen=True)
class History:
    """Rounds, oldest first, and by id the pieces that any of them asked to recut, one entry a round."""

    rounds: tuple[Round, ...]
    pieces: dict[str, tuple[PieceRound, ...]]


def read_history(folders: Sequence[Path]) -> History:
    """Read the result folders of one job's rounds, in any order.

    Raises InputError for a folder that is no record, is given twice, is of another design, or has no place in the chain.
    """
    seen: set[Path] = set()
    for folder in folders:
        if folder.resolve() in seen:
            raise InputError(f"{folder}: the same folder is given twice; name each round once")
        seen.add(folder.resolve())
    read = [(folder, read_before(folder, outlines=False)) for folder in folders]
    sums: dict[str, Path] = {}
    for folder, one in read:
        if one.sha256 in sums:
            raise InputError(f"{folder}: holds the same record as {sums[one.sha256]}; name each round once")
        sums[one.sha256] = folder
    first = read[0][1]
    for folder, one in read[1:]:
        refuse_other_design(one, first.inspection.design, source=str(folders[0]), folder=folder)
    chain = _chain(read)
    rounds = tuple(_round(folder, one) for folder, one in chain)
    wanted = sorted({name for _, one in chain for name in one.changes})
    return History(rounds, {name: tuple(_piece(one, name) for _, one in chain) for name in wanted})


def _chain(read: list[tuple[Path, Before]]) -> list[tuple[Path, Before]]:
    """In the order in which each names the one before it."""
    known = {one.sha256 for _, one in read}
    following: dict[str, tuple[Path, Before]] = {}
    starts = []
    for folder, one in read:
        after = None if one.number == 1 else str(one.record["round"]["after_sha256"])
        if after is None or after not in known:
            starts.append((folder, one))
        elif after in following:
            other, _ = following[after]
            raise InputError(f"{folder}: follows the same round as {other}; name one folder for each round")
        else:
            following[after] = (folder, one)
    if len(starts) != 1:
        starts.sort(key=lambda pair: pair[1].number)
        folder, one = starts[-1] if starts else read[0]
        raise InputError(f"{folder}: {_no_place(one, starts)}")
    chain = [starts[0]]
    while chain[-1][1].sha256 in following:
        chain.append(following[chain[-1][1].sha256])
    if len(chain) != len(read):
        raise InputError(f"{read[0][0]}: the rounds name each other in a ring; run gapscan inspect once more")
    return chain


def _no_place(one: Before, starts: list[tuple[Path, Before]]) -> str:
    if one.number == 1:
        return f"is a first round as {starts[0][0]} is; name the rounds of one chain"
    return (
        f"follows a round (folder {one.record['round']['after']}) that is not among these, or was written anew since; "
        "name that folder too"
    )


def _round(folder: Path, one: Before) -> Round:
    inspection, job = one.inspection, one.recorded.job
    looks = seam_looks(inspection.survey, one.recorded.given, job.tolerance_mm, job.press_mm)
    ids = sorted(seam.id for seam in inspection.design.seams)
    state = {name: looks[name].state if name in looks else "not seen" for name in ids}
    widest = max(widest_gaps(inspection.survey), key=lambda gap: gap.gap_mm, default=None)
    mean, u_mean = _mean(one)
    past = one.recorded.given.past
    chance = one.record.get("chance")
    return Round(
        folder=str(folder),
        number=one.number,
        tolerance_mm=job.tolerance_mm,
        to_recut=tuple(sorted(one.changes)),
        wide=tuple(name for name in ids if state[name] == "wide"),
        pressing=tuple(name for name in ids if state[name] == "pressing"),
        dark=tuple(name for name in ids if state[name] == "not seen"),
        widest_mm=None if widest is None else widest.gap_mm,
        u_widest_mm=None if widest is None else widest.u_gap_mm,
        widest_seam="" if widest is None else "|".join(widest.pieces),
        mean_mm=mean,
        u_mean_mm=u_mean,
        chance=float(chance) if isinstance(chance, int | float) else float("nan"),
        response=None if one.number == 1 else (past.response, past.u_response),
    )


def _mean(one: Before) -> tuple[float | None, float | None]:
    """Mean gap over all seen length. Seams share light, tone and camera: their uncertainties are added up linearly, as if
    fully correlated (JCGM 100, 5.2.2, note 1), which can only be too much."""
    figures = [(summarise_seam(seam), float(seam.seen.sum())) for seam in one.inspection.survey.seams]
    seen = [(s.mean_mm, s.standard_uncertainty_mm or 0.0, n) for s, n in figures if s.mean_mm is not None]
    if not seen:
        return None, None
    mean, u, weight = np.array(seen).T
    return float(np.average(mean, weights=weight)), float(np.average(u, weights=weight))


def _piece(one: Before, name: str) -> PieceRound:
    state = one.inspection.fit.state(name)
    seen = state.seen_fraction > 0 and np.isfinite(state.undersize_mm)
    return PieceRound(
        offset_mm=one.offsets[name],
        undersize_mm=state.undersize_mm if seen else None,
        u_undersize_mm=state.u_undersize_mm if seen else None,
        asked_mm=one.changes.get(name),
    )
