"""Whether two trials are of one drawing, and what their job files say was different in the cut."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import numpy as np

from gapscan.design.same import same_outline
from gapscan.errors import InputError
from gapscan.job import Job, PieceSettings
from gapscan.recut.job_table import job_table
from gapscan.text import named
from gapscan.trials.types import Trial

_MOST = 8
# What these say does not change how a piece comes off the machine.
_NOT_OF_THE_CUT = ("tolerance_mm", "aim_mm", "press_mm", "recut_facing", "view", "tape", "check", "pieces")
_NOT_OF_THE_PIECE = ("keep", "recut_cost")
_UNIT_ENDS = {"_mm": "mm", "_deg": "°", "_percent": "%", "_celsius": "°C"}


def refuse_other_drawings(first: Trial, second: Trial) -> None:
    """Raises InputError, naming pieces, where the two are not of one drawing, or are one and the same dry fit."""
    only = [sorted(set(a.ids) - set(b.ids)) for a, b in ((first, second), (second, first))]
    if any(only):
        words = [
            f"only in {trial.name}: {named(names, limit=_MOST)}"
            for trial, names in zip((first, second), only, strict=True)
            if names
        ]
        raise InputError(
            f"{first.name} and {second.name}: not of one drawing ({'; '.join(words)}); compare two cuts of the same pieces"
        )
    other = dict(zip(second.ids, second.outlines, strict=True))
    moved = [
        name for name, outline in zip(first.ids, first.outlines, strict=True) if not same_outline(outline, other[name])
    ]
    if moved:
        raise InputError(
            f"{first.name} and {second.name}: not of one drawing, these pieces are drawn otherwise: {named(moved, limit=_MOST)}; "
            "compare two cuts of the same pieces"
        )
    if np.array_equal(first.gap_mm, second.gap_mm, equal_nan=True) and np.array_equal(
        first.loss_mm, second.loss_mm, equal_nan=True
    ):
        raise InputError(
            f"{first.name} and {second.name}: hold one and the same dry fit, figure by figure; give the results of two"
        )


def cut_differences(first: Trial, second: Trial) -> tuple[str, ...]:
    """What the job files say was different, one sentence part each; empty where they say nothing."""
    said = []
    tables = [_of_the_cut(trial.job) for trial in (first, second)]
    for key in sorted(tables[0].keys() | tables[1].keys()):
        a, b = (table.get(key) for table in tables)
        if a != b:
            said.append(f"{key}: {_value(key, a)} in A, {_value(key, b)} in B")
    for name in (f.name for f in fields(PieceSettings) if f.name not in _NOT_OF_THE_PIECE):
        changes: dict[tuple[Any, Any], list[str]] = {}
        for piece in first.ids:
            pair = tuple(getattr(trial.job.settings(piece), name) for trial in (first, second))
            if pair[0] != pair[1]:
                changes.setdefault((pair[0], pair[1]), []).append(piece)
        for (a, b), pieces in sorted(changes.items(), key=lambda item: item[1]):
            of = "all pieces" if len(pieces) == len(first.ids) else named(pieces, limit=_MOST)
            said.append(f"{name} of {of}: {_value(name, a)} in A, {_value(name, b)} in B")
    return tuple(said)


def _of_the_cut(job: Job) -> dict[str, Any]:
    flat = _flat({key: value for key, value in job_table(job).items() if key not in _NOT_OF_THE_CUT})
    # Where the work will stand is no matter of the cut.
    return {key: value for key, value in flat.items() if not key.startswith("air.use_")}


def _flat(table: Mapping[str, Any], before: str = "") -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in table.items():
        if isinstance(value, Mapping):
            found |= _flat(value, f"{before}{key}.")
        else:
            found[before + key] = value
    return found


def _value(key: str, value: object) -> str:
    if value is None or value == "":
        return "not told"
    unit = next((unit for end, unit in _UNIT_ENDS.items() if key.endswith(end)), "")
    words = f"{value:g}" if isinstance(value, float) else str(value)
    return f"{words} {unit}".strip() if isinstance(value, int | float) else words
