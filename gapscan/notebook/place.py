"""Where the notebook lies when no file is named."""

from __future__ import annotations

import os
import sys
from pathlib import Path

VARIABLE = "GAPSCAN_BOOK"


def book_path(given: Path | None) -> Path:
    """The notebook to use: the one given, else $GAPSCAN_BOOK, else book.sqlite in the user's data folder.

    The data folder is $XDG_DATA_HOME or ~/.local/share (XDG Base Directory Specification), and on macOS and Windows
    where these keep such files.
    """
    if given is not None:
        return given
    named = os.environ.get(VARIABLE, "").strip()
    if named:
        return Path(named).expanduser()
    return _data_folder() / "gapscan" / "book.sqlite"


def _data_folder() -> Path:
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support"
    told = os.environ.get("XDG_DATA_HOME", "")
    # The specification: a relative path there is to be ignored.
    return Path(told) if told and Path(told).is_absolute() else Path.home() / ".local" / "share"
