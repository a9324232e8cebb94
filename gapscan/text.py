"""Text for people made of what files hold: lists cut short, signs that cannot be shown."""

from __future__ import annotations

from collections.abc import Sequence


def named(names: Sequence[str], *, limit: int = 6, between: str = ", ") -> str:
    """A list of names for a sentence, cut short when it is long."""
    shown = between.join(names[:limit])
    return shown if len(names) <= limit else f"{shown} and {len(names) - limit} more"


def printable(text: str) -> str:
    """Control characters of ids and file names would steer the terminal: each becomes U+FFFD."""
    return "".join(sign if sign.isprintable() else "\ufffd" for sign in text)
