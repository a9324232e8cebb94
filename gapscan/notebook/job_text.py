"""A job file with other offsets in it: what else its writer put there, comments too, stays."""

from __future__ import annotations

import glob
from collections.abc import Mapping

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import InlineTable, Table

from gapscan.errors import InputError
from gapscan.job import parse_job

_HEAD = "# Offsets to start with, from the shop's notebook; mm outward.\n"


def with_offsets(text: str, offset_mm: Mapping[str, float], *, source: str) -> str:
    """The job file's text with ``offset_mm`` of every piece named, and of no pattern any more.

    In a job file the last match wins, so that a pattern further down would undo what a piece is given by name.
    Raises InputError when the text is no job file, or is laid out so that it cannot be changed.
    """
    try:
        document = tomlkit.parse(text or _HEAD)
        if "pieces" not in document:
            document["pieces"] = tomlkit.table(is_super_table=True)
        if isinstance(document["pieces"], InlineTable):  # which holds no tables of several lines
            plain = document.pop("pieces").unwrap()
            document["pieces"] = tomlkit.item(plain) if plain else tomlkit.table(is_super_table=True)
        pieces = document["pieces"]
        for keys in pieces.values():
            if isinstance(keys, Mapping):
                keys.pop("offset_mm", None)  # type: ignore[attr-defined]
        for name, offset in offset_mm.items():
            pattern = glob.escape(name)
            if pattern not in pieces:
                pieces[pattern] = tomlkit.table()
            keys = pieces[pattern]
            if not isinstance(keys, Table) and not hasattr(keys, "append"):
                raise TypeError(f"pieces.{name} is no table")
            keys["offset_mm"] = round(offset, 4) + 0.0
        changed = tomlkit.dumps(document)
        job = parse_job(tomlkit.parse(changed).unwrap(), source=source)
    except (TOMLKitError, TypeError, AttributeError, KeyError) as err:
        raise InputError(
            f"{source}: cannot be given other offsets ({err}); write every piece as a table of its own"
        ) from err
    for name, offset in offset_mm.items():
        if abs(job.settings(name).offset_mm - offset) > 1e-4:
            raise InputError(
                f"{source}: the offset of '{name}' cannot be written into it; write every piece as a table of its own"
            )
    return changed
