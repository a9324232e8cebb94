"""The round before read back from its result folder, and checked to be of the same design."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from shapely.geometry import MultiPolygon, Polygon

from gapscan.design.same import same_outline
from gapscan.design.types import Design
from gapscan.errors import InputError
from gapscan.recut.plan import plan_from
from gapscan.recut.record import RecordedPlan, numbers, undamaged, whole_numbers
from gapscan.report.reread import read_record, recorded_inspection
from gapscan.rounds.response import PRIOR
from gapscan.rounds.types import Before, Response
from gapscan.text import named

_SAME_CHANGE_MM = 0.0006  # two roundings of four digits, and the solver's last one
_MOST_ROUNDS = 10_000


def read_before(folder: Path, *, outlines: bool = True) -> Before:
    """The record in ``folder`` as the round before; ``outlines`` False leaves ``as_cut`` empty, which can take a while.

    Raises InputError naming the file: not there, no fit record, of another version, or damaged.
    """
    path = folder / "fit.json"
    record, recorded = read_record(path)
    try:
        raw = path.read_bytes()
    except OSError as err:
        raise InputError(f"{path}: cannot be read ({err.strerror or err}); check the path") from err
    source = str(path)
    inspection = recorded_inspection(record, recorded, source=source)
    number, earlier = read_block(record, source=source)
    with undamaged(source):
        changes = {
            piece["id"]: float(numbers([piece["offset_change_mm"]], "offset_change_mm")[0])
            for piece in record["pieces"]
            if piece["verdict"] == "recut"
        }
        bent = {piece["id"] for piece in record["pieces"] if piece.get("seam_changes_mm")}
    past = recorded.given.past
    as_cut, notes = as_cut_last(recorded, changes, bent | set(dict(past.as_cut))) if outlines else ({}, ())
    return Before(
        name=folder.resolve().name,
        sha256=hashlib.sha256(raw).hexdigest(),
        number=number,
        record=record,
        recorded=recorded,
        inspection=inspection,
        offsets={name: recorded.job.settings(name).offset_mm for name in recorded.given.ids},
        changes=changes,
        earlier=earlier,
        as_cut=as_cut,
        prior=PRIOR if number == 1 or past.u_response <= 0 else Response(past.response, past.u_response),
        notes=notes,
    )


def read_block(record: Mapping[str, Any], *, source: str) -> tuple[int, dict[str, tuple[float, ...]]]:
    """Number of a record's round, and all offsets so far of the pieces that were recut. Raises InputError."""
    block = record.get("round")
    if block is None:
        return 1, {}
    with undamaged(source):
        number = int(whole_numbers([block["number"]], "number of the round", low=2, below=_MOST_ROUNDS)[0])
        ids = {piece["id"] for piece in record["pieces"]}
        earlier = {}
        for name, offsets in block["offsets_mm"].items():
            if name not in ids or not offsets:
                raise ValueError("its block round names a piece that is not there")
            earlier[name] = tuple(numbers(offsets, "offsets_mm").tolist())
        if not isinstance(block["after"], str) or not isinstance(block["after_sha256"], str):
            raise TypeError("its block round does not name the round before")
    return number, earlier


def refuse_other_design(before: Before, design: Design, *, source: str, folder: Path) -> None:
    """Raise InputError where the pieces of the round before are not those of the drawing, naming some."""
    was = dict(zip(before.recorded.given.ids, before.recorded.given.outlines, strict=True))
    now = {piece.id: piece.polygon for piece in design.pieces}
    for names, words in ((set(was) - set(now), "only the round before has"), (set(now) - set(was), "it lacks")):
        if names:
            raise InputError(
                f"{folder}: is of another design than {source} ({words} {named(sorted(names))}); "
                "give --after the round before of the same drawing"
            )
    moved = {name for name, outline in now.items() if not same_outline(outline, was[name])}
    if moved:
        raise InputError(
            f"{folder}: is of another design than {source} (other outlines: {named(sorted(moved))}); "
            "give --after the round before of the same drawing"
        )


def as_cut_last(
    recorded: RecordedPlan, changes: Mapping[str, float], special: set[str]
) -> tuple[dict[str, Polygon | MultiPolygon], tuple[str, ...]]:
    """Outlines as cut for this round of the pieces in ``special``: the plan is made once more, for it is not stored."""
    found: dict[str, Polygon | MultiPolygon] = {k: v for k, v in recorded.given.past.as_cut if k not in changes}
    wanted = sorted(special & set(changes))
    if not wanted:
        return found, ()
    again = {one.id: one for one in plan_from(recorded.given, recorded.job).decisions}
    lost = []
    for name in wanted:
        outline = again[name].new_outline
        if outline is None or abs(again[name].offset_change_mm - changes[name]) > _SAME_CHANGE_MM:
            lost.append(name)
        else:
            found[name] = outline
    if not lost:
        return found, ()
    return found, (
        f"The outline that the round before gave to {named(lost)} could not be made again; a new outline of it "
        "starts from the drawn one at an even offset.",
    )
