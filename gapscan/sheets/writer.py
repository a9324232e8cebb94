"""The folder of sheets: all files or none, and never over something else."""

from __future__ import annotations

import json
import os
import secrets
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from gapscan.errors import InputError
from gapscan.sheets.layout import Sheet
from gapscan.sheets.sheet_svg import hints
from gapscan.text import named

SCHEMA = "gapscan.sheets/1"
LIST = "sheets.json"


def sheet_list(sheets: Sequence[Sheet]) -> dict[str, Any]:
    """What lies where, as plain data: lengths in mm from the upper left corner of each sheet."""
    return {
        "schema": SCHEMA,
        "units": "mm",
        "sheets": [
            {
                "name": sheet.name,
                "bed_mm": [sheet.width_mm, sheet.height_mm],
                "facing": sheet.facing,
                "material": sheet.material,
                "hints": list(hints(sheet)),
                "pieces": [
                    {
                        "id": place.part.id,
                        "mirrored": place.mirrored,
                        "material": place.part.material,
                        "grain_deg": None if place.grain_deg is None else round(place.grain_deg, 3),
                        "box_mm": [round(edge, 4) for edge in place.box_mm],
                        "offset_change_mm": place.part.change_mm,
                        "standard_uncertainty_mm": place.part.u_change_mm,
                    }
                    for place in sheet.placements
                ],
            }
            for sheet in sheets
        ],
    }


def check_room(out_dir: Path, *, force: bool) -> None:
    """Refuse a folder that holds something, unless it holds sheets alone and ``force`` is given. Raises InputError."""
    try:
        there = out_dir.exists() or out_dir.is_symlink()
        held = sorted(path.name for path in out_dir.iterdir()) if out_dir.is_dir() else []
    except OSError as err:
        raise _unwritable(out_dir, err) from err
    if there and not out_dir.is_dir():
        raise InputError(f"{out_dir}: is a file, not a folder; give --out another name")
    if not held:
        return
    if not force:
        raise InputError(f"{out_dir}: is there already; give --out a new folder, or --force to make its sheets anew")
    foreign = [name for name in held if name not in _ours(out_dir)]
    if foreign:
        raise InputError(
            f"{out_dir}: holds {named(foreign)}, which are no sheets of this program; give --out a new folder"
        )


def write_sheets(files: Mapping[str, str], sheets: Sequence[Sheet], out_dir: Path, *, force: bool) -> None:
    """Write ``files`` (name to text) and the list of sheets into ``out_dir``, whole or not at all.

    Raises InputError as :func:`check_room` does, and when the folder cannot be written.
    """
    check_room(out_dir, force=force)
    table = sheet_list(sheets) | {"files": sorted([*files, LIST])}
    texts = {**files, LIST: json.dumps(table, ensure_ascii=False, indent=1) + "\n"}
    mark = secrets.token_hex(4)
    staging, aside = (out_dir.parent / f".{out_dir.name}-{what}-{mark}" for what in ("new", "old"))
    try:
        out_dir.parent.mkdir(parents=True, exist_ok=True)
        staging.mkdir()
        for name, text in texts.items():
            (staging / name).write_text(text, encoding="utf-8", errors="replace", newline="\n")
        if out_dir.is_dir():
            os.replace(out_dir, aside)
        try:
            os.replace(staging, out_dir)
        except OSError:
            if aside.is_dir():
                os.replace(aside, out_dir)
            raise
    except OSError as err:
        raise _unwritable(out_dir, err) from err
    finally:
        shutil.rmtree(staging, ignore_errors=True)
        if out_dir.is_dir():
            shutil.rmtree(aside, ignore_errors=True)


def _ours(folder: Path) -> set[str]:
    """Names of the files that an earlier run wrote into this folder; empty where that cannot be told."""
    try:
        table = json.loads((folder / LIST).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return set()
    if not isinstance(table, dict) or table.get("schema") != SCHEMA or not isinstance(table.get("files"), list):
        return set()
    return {name for name in table["files"] if isinstance(name, str)}


def _unwritable(out_dir: Path, err: OSError) -> InputError:
    return InputError(f"{out_dir}: cannot write the sheets ({err.strerror or err}); free space or give another --out")
