"""Single values of a job file, checked."""

from __future__ import annotations

import difflib
import math
from typing import Any

from gapscan.errors import InputError

_LONGEST_KEY, _LONGEST_TEXT, _LARGEST_SETTING = 60, 200, 1e9
_LARGEST_WHOLE = 10**15  # a whole number of hundreds of digits is no float


def number(value: object, key: str, low: float, high: float, source: str) -> float:
    """A number within limits, as a float. Raises InputError naming file, key and limits."""
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > _LARGEST_WHOLE:
        raise InputError(f"{source}: {key} is out of range; it must lie between {low} and {high}")
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError(f"{source}: {key} must be a number, not {value!r}")
    if not low <= value <= high:
        raise InputError(f"{source}: {key} = {value} is out of range; it must lie between {low} and {high}")
    return float(value)


def choice(value: object, key: str, allowed: tuple[str, ...], source: str) -> str:
    """One of the words allowed. Raises InputError naming them."""
    if not isinstance(value, str) or value not in allowed:
        raise InputError(f"{source}: {key} = {value!r} is not one of {', '.join(map(repr, allowed))}")
    return value


def unknown(key: str, known: tuple[str, ...], source: str) -> str:
    """The sentence for a key that there is not."""
    return f"{source}: unknown key {key}; known here: {', '.join(known)}"


def free_settings(table: dict[str, Any], known: tuple[str, ...], source: str) -> tuple[tuple[str, str | float], ...]:
    """The free keys of ``[cut]``, sorted by name; whole numbers become floats, so that 80 and 80.0 are one setting."""
    found: dict[str, str | float] = {}
    for name, value in table.items():
        if name in known:
            continue
        # Any name will do here, so a slip in a key that means something must be caught by its likeness.
        plain = name.lower().replace(" ", "_").replace("-", "_")
        if plain.startswith("taper") or difflib.get_close_matches(plain, known, n=1, cutoff=0.8):
            raise InputError(unknown(f"cut.{name}", tuple(f"cut.{k}" for k in known), source))
        if not 0 < len(name) <= _LONGEST_KEY or not name.isprintable():
            raise InputError(
                f"{source}: [cut] holds a key that is no plain name of up to {_LONGEST_KEY} signs; name the setting shortly"
            )
        if isinstance(value, str):
            if len(value) > _LONGEST_TEXT or not value.isprintable():
                raise InputError(f"{source}: cut.{name} must be one line of up to {_LONGEST_TEXT} signs")
            found[name] = value.strip()
        elif isinstance(value, bool) or not isinstance(value, int | float):
            raise InputError(f"{source}: cut.{name} must be a number or text in quotes, not {value!r}")
        else:
            found[name] = number(value, f"cut.{name}", -_LARGEST_SETTING, _LARGEST_SETTING, source)
    return tuple(sorted(found.items()))
