"""The TOML job file, read into frozen settings.

Keys, units and defaults are those of the contract; every key is optional. Keys under ``[pieces]`` may be
shell-style patterns, the last match wins, key by key.
"""

from __future__ import annotations

import fnmatch
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Literal

from gapscan.errors import InputError
from gapscan.job_values import choice, free_settings, number, unknown

Facing = Literal["up", "down"]
RecutFacing = Literal["any", "up", "down", "one"]
View = Literal["front", "back", "auto"]
Sawn = Literal["", "flat", "quarter"]


@dataclass(frozen=True)
class PieceSettings:
    """How one piece was cut, and whether it may be cut again.

    grain_deg   direction of the grain in the drawing, from x towards y; None where not told
    recut_cost  what another cut of this piece costs against that of others
    sawn       how the veneer was taken from the log, "" where not told
    """

    facing: Facing = "up"
    material: str = ""
    offset_mm: float = 0.0
    keep: bool = False
    grain_deg: float | None = None
    recut_cost: float = 1.0
    sawn: Sawn = ""


@dataclass(frozen=True)
class Air:
    """Relative humidity [%] and temperature [°C] that the wood was at rest with: at cutting and photo, and in use."""

    cut_rh_percent: float
    use_rh_percent: float
    cut_celsius: float = 20.0
    use_celsius: float = 20.0


@dataclass(frozen=True)
class Check:
    """The frame's check slots as measured once with a feeler gauge.

    slots_mm   widths in the order top, right, bottom, left of the frame as drawn (sides without a slot left out), or
               one width for all of them; ``one_for_all`` says which
    u_mm       standard uncertainty of each
    taper_deg  lean of the slots' walls; None: anything from upright to the lean of the veneer's walls
    """

    slots_mm: tuple[float, ...]
    one_for_all: bool
    u_mm: float = 0.005
    taper_deg: float | None = None


@dataclass(frozen=True)
class Job:
    """Settings of one dry fit.

    ``tape`` holds rectangles in design coordinates that are taped over: (x, y, width, height) in mm, and optionally a
    turn about the middle in degrees. ``pieces`` holds (pattern, given keys) in file order. ``check`` is there when the
    frame's check slots were measured. ``cut_settings`` holds the further keys of ``[cut]``, sorted by name: whatever the
    shop notes of its machine (power, speed, focus ...). Nothing is computed from them; equal ones belong together.
    """

    tolerance_mm: float = 0.10
    aim_mm: float = 0.03
    press_mm: float = 0.02
    recut_facing: RecutFacing = "any"
    view: View = "auto"
    thickness_mm: float = 0.6
    taper_deg: float = 2.0
    tape: tuple[tuple[float, ...], ...] = ()
    pieces: tuple[tuple[str, dict[str, Any]], ...] = field(default=())
    check: Check | None = None
    cut_settings: tuple[tuple[str, str | float], ...] = ()
    air: Air | None = None

    def settings(self, piece_id: str) -> PieceSettings:
        """The settings of one piece: defaults, then every matching pattern in file order."""
        found = PieceSettings()
        for pattern, given in self.pieces:
            if fnmatch.fnmatchcase(piece_id, pattern):
                found = replace(found, **given)
        return found

    def unmatched(self, piece_ids: tuple[str, ...]) -> tuple[str, ...]:
        """Patterns that match none of these ids (a typing slip, most often)."""
        return tuple(p for p, _ in self.pieces if not any(fnmatch.fnmatchcase(i, p) for i in piece_ids))


# key -> (lowest, highest)
_NUMBERS: dict[str, tuple[float, float]] = {
    "tolerance_mm": (0.005, 5.0),
    "aim_mm": (-0.5, 5.0),
    "press_mm": (0.0, 1.0),
}
_CHOICES: dict[str, tuple[str, ...]] = {
    "recut_facing": ("any", "up", "down", "one"),
    "view": ("front", "back", "auto"),
}
_TABLES: dict[str, dict[str, tuple[float, float]]] = {
    "sheet": {"thickness_mm": (0.05, 12.0)},
    "cut": {"taper_deg": (0.0, 30.0)},
}
_CHECK_KEYS = ("slot_mm", "slots_mm", "u_mm", "taper_deg")
_SLOT_MM = (0.05, 2.0)
_AIR: dict[str, tuple[float, float]] = {
    "cut_rh_percent": (5.0, 95.0),
    "use_rh_percent": (5.0, 95.0),
    "cut_celsius": (0.0, 60.0),
    "use_celsius": (0.0, 60.0),
}
_PIECE_NUMBERS: dict[str, tuple[float, float]] = {
    "offset_mm": (-5.0, 5.0),
    "grain_deg": (-360.0, 360.0),
    "recut_cost": (0.01, 1000.0),
}
_PIECE_KEYS = tuple(f.name for f in fields(PieceSettings))


def read_job(path: Path | None) -> Job:
    """Read a job file; ``None`` gives the defaults.

    Raises InputError naming the file, the key and what is allowed.
    """
    if path is None:
        return Job()
    try:
        raw = path.read_bytes()
    except OSError as err:
        raise InputError(f"{path}: cannot read the job file ({err.strerror or err}); check the path") from err
    try:
        data = tomllib.loads(raw.decode("utf-8-sig"))
    except (ValueError, RecursionError) as err:  # TOML and UTF-8 faults, and numbers of thousands of digits
        raise InputError(f"{path}: not a valid TOML job file ({err}); mend that line") from err
    return parse_job(data, source=str(path))


def parse_job(data: dict[str, Any], *, source: str) -> Job:
    """Check a parsed job table and build the settings. Raises InputError."""
    given: dict[str, Any] = {}
    readers: dict[str, Callable[[object, str], object]] = {
        "tape": _tape,
        "check": _check,
        "air": _air,
        "pieces": _pieces,
    }
    for key, value in data.items():
        if key in _NUMBERS:
            given[key] = number(value, key, *_NUMBERS[key], source)
        elif key in _CHOICES:
            given[key] = choice(value, key, _CHOICES[key], source)
        elif key in _TABLES:
            given |= _table(key, value, source)
        elif key in readers:
            given[key] = readers[key](value, source)
        else:
            known = (*_NUMBERS, *_CHOICES, *_TABLES, *readers)
            raise InputError(unknown(key, known, source))
    job = Job(**given)
    if job.aim_mm > job.tolerance_mm:
        raise InputError(
            f"{source}: aim_mm = {job.aim_mm} is larger than tolerance_mm = {job.tolerance_mm}; "
            "aim for a gap within the tolerance"
        )
    if job.aim_mm < -job.press_mm:
        raise InputError(
            f"{source}: aim_mm = {job.aim_mm} asks for more overlap than press_mm = {job.press_mm} allows; raise one"
        )
    return job


def _table(key: str, value: object, source: str) -> dict[str, Any]:
    """The settings of ``[sheet]`` or ``[cut]``."""
    if not isinstance(value, dict):
        raise InputError(f"{source}: [{key}] must be a table of keys; write it as [{key}] on its own line")
    known = _TABLES[key]
    given: dict[str, Any] = (
        {"cut_settings": free_settings(value, tuple(_TABLES["cut"]), source)} if key == "cut" else {}
    )
    for inner, entry in value.items():
        if inner in known:
            given[inner] = number(entry, f"{key}.{inner}", *known[inner], source)
        elif key != "cut":
            raise InputError(unknown(f"{key}.{inner}", tuple(f"{key}.{k}" for k in known), source))
    return given


def _tape(value: object, source: str) -> tuple[tuple[float, ...], ...]:
    fault = InputError(
        f"{source}: tape must be a list of rectangles [x, y, width, height] in mm of the drawing, each with a turn in "
        "degrees as a fifth number if need be, such as tape = [[10, 20, 60, 12], [80, 5, 40, 12, 45]]"
    )
    if not isinstance(value, list):
        raise fault
    found = []
    for entry in value:
        if not isinstance(entry, list) or len(entry) not in {4, 5}:
            raise fault
        numbers = tuple(number(one, "tape", -10_000.0, 10_000.0, source) for one in entry)
        if numbers[2] <= 0 or numbers[3] <= 0:
            raise fault
        found.append(numbers)
    return tuple(found)


def _check(value: object, source: str) -> Check:
    if not isinstance(value, dict):
        raise InputError(f"{source}: [check] must be a table of keys; write it as [check] on its own line")
    for key in value:
        if key not in _CHECK_KEYS:
            raise InputError(unknown(f"check.{key}", tuple(f"check.{k}" for k in _CHECK_KEYS), source))
    if ("slot_mm" in value) == ("slots_mm" in value):
        raise InputError(
            f"{source}: [check] needs either slot_mm, one width for all check slots, or slots_mm, a list of widths in the "
            "order top, right, bottom, left of the frame as drawn"
        )
    if "slot_mm" in value:
        slots: tuple[float, ...] = (number(value["slot_mm"], "check.slot_mm", *_SLOT_MM, source),)
    else:
        widths = value["slots_mm"]
        if not isinstance(widths, list) or not widths:
            raise InputError(
                f"{source}: check.slots_mm must be a list of widths in mm, such as [0.31, 0.30, 0.32, 0.31]"
            )
        slots = tuple(number(width, "check.slots_mm", *_SLOT_MM, source) for width in widths)
    others: dict[str, float] = {}
    for key, low, high in (("u_mm", 0.0005, 0.1), ("taper_deg", 0.0, 30.0)):
        if key in value:
            others[key] = number(value[key], f"check.{key}", low, high, source)
    return Check(slots, "slot_mm" in value, **others)


def _air(value: object, source: str) -> Air:
    if not isinstance(value, dict):
        raise InputError(f"{source}: [air] must be a table of keys; write it as [air] on its own line")
    for key in value:
        if key not in _AIR:
            raise InputError(unknown(f"air.{key}", tuple(f"air.{k}" for k in _AIR), source))
    for key in ("cut_rh_percent", "use_rh_percent"):
        if key not in value:
            raise InputError(
                f"{source}: [air] needs {key} as well: the humidity at cutting and that in use, each in percent"
            )
    return Air(**{key: number(entry, f"air.{key}", *_AIR[key], source) for key, entry in value.items()})


def _pieces(value: object, source: str) -> tuple[tuple[str, dict[str, Any]], ...]:
    if not isinstance(value, dict):
        raise InputError(f'{source}: [pieces] must hold one table a piece, such as [pieces.p07] or [pieces."leaf-*"]')
    found = []
    for pattern, table in value.items():
        name = f"pieces.{pattern}"
        if not isinstance(table, dict):
            raise InputError(f"{source}: {name} must be a table of keys ({', '.join(_PIECE_KEYS)})")
        given: dict[str, Any] = {}
        for key, entry in table.items():
            full = f"{name}.{key}"
            if key == "facing":
                given[key] = choice(entry, full, ("up", "down"), source)
            elif key == "sawn":
                given[key] = choice(entry, full, ("flat", "quarter"), source)
            elif key in _PIECE_NUMBERS:
                given[key] = number(entry, full, *_PIECE_NUMBERS[key], source)
            elif key == "material":
                if not isinstance(entry, str):
                    raise InputError(f'{source}: {full} must be text in quotes, such as "walnut"')
                given[key] = entry
            elif key == "keep":
                if not isinstance(entry, bool):
                    raise InputError(f"{source}: {full} must be true or false")
                given[key] = entry
            else:
                raise InputError(unknown(full, tuple(f"{name}.{k}" for k in _PIECE_KEYS), source))
        found.append((pattern, given))
    return tuple(found)
