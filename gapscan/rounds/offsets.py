"""What each piece was cut with this time: the chain of records against the job file."""

from __future__ import annotations

import fnmatch
import glob
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace

from gapscan.errors import InputError
from gapscan.job import Job
from gapscan.rounds.types import Before
from gapscan.text import named

_SAME_MM = 0.001
_LARGEST_MM = 5.0  # as in a job file
_MOST = 8  # ids named in a line


@dataclass(frozen=True)
class Offsets:
    """Outward offset by id that every piece was cut with.

    asked      change of offset by id of the pieces that were to be recut, as they were cut if the job file says another
    told       pieces of which the job file itself says the offset
    from_job   pieces where the job file says another offset than the chain, and wins
    outdated   pieces where it still holds an offset of an earlier round
    """

    mm: dict[str, float]
    asked: dict[str, float]
    told: frozenset[str]
    from_job: tuple[str, ...]
    outdated: tuple[str, ...]


def chain_offsets(before: Before, job: Job) -> Offsets:
    """The offsets of this round: those of the round before and the changes asked for, unless the job file knows better."""
    mm, asked, told, from_job, outdated = {}, {}, set(), [], []
    for name in sorted(before.offsets):
        old = before.offsets[name]
        chain = round(old + before.changes.get(name, 0.0), 4)
        given = _given(job, name)
        once = [value for value in (*before.earlier.get(name, ()), old) if abs(value - chain) > _SAME_MM]
        mm[name] = chain
        if given is not None and abs(given - chain) > _SAME_MM:
            if any(abs(given - value) <= _SAME_MM for value in once):
                outdated.append(name)
            else:
                from_job.append(name)
                mm[name] = given
        elif given is not None:
            told.add(name)
        if name in before.changes:
            asked[name] = mm[name] - old
    return Offsets(mm, asked, frozenset(told), tuple(from_job), tuple(outdated))


def without(offsets: Offsets, before: Before, not_recut: AbstractSet[str]) -> Offsets:
    """With pieces that were not cut again at the offset they had."""
    back = {name: before.offsets[name] for name in not_recut if name in before.changes}
    return replace(offsets, mm=offsets.mm | back)


def job_with(job: Job, offsets: Offsets) -> Job:
    """The settings with every piece's offset. Raises InputError where one is beyond what a job file may hold."""
    more = []
    for name, value in offsets.mm.items():
        if abs(value) > _LARGEST_MM:
            raise InputError(
                f"offset_mm of {name} adds up to {value:.3f} mm over the rounds, more than {_LARGEST_MM:g}; "
                "give its offset_mm in the job file, or begin anew without --after"
            )
        if job.settings(name).offset_mm != value:
            more.append((glob.escape(name), {"offset_mm": value}))
    return replace(job, pieces=(*job.pieces, *more))


def history_of(offsets: Offsets, before: Before) -> dict[str, list[float]]:
    """Every offset so far, oldest first, of the pieces that have ever been cut with another one."""
    found = {}
    for name, value in offsets.mm.items():
        so_far = list(before.earlier.get(name, (before.offsets[name],)))
        if abs(so_far[-1] - value) > 1e-9:
            so_far.append(value)
        if len(so_far) > 1:
            found[name] = [round(one, 4) for one in so_far]
    return found


def offset_lines(offsets: Offsets) -> list[str]:
    """What to say where job file and records differ."""
    lines = []
    if offsets.outdated:
        lines.append(
            f"The job file holds the offset_mm of an earlier round for {named(offsets.outdated, limit=_MOST)}; the "
            "records say what was asked since, and that is used."
        )
    if offsets.from_job:
        lines.append(
            f"The job file holds another offset_mm than the rounds before add up to for {named(offsets.from_job, limit=_MOST)}; "
            "the job file's is used."
        )
    return lines


def _given(job: Job, name: str) -> float | None:
    """The offset that the job file itself gives a piece; None where it is silent."""
    found = None
    for pattern, keys in job.pieces:
        if "offset_mm" in keys and fnmatch.fnmatchcase(name, pattern):
            found = float(keys["offset_mm"])
    return found
