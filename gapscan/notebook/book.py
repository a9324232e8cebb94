"""The notebook's file: an SQLite database that several programs may use at once.

Every change is one transaction with SQLite's rollback journal: whenever the program is killed, the file holds either
all of an addition or nothing of it, and the next to open it takes back what was half done.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import astuple, fields, replace
from pathlib import Path
from typing import Any, NoReturn

from gapscan.errors import InputError
from gapscan.notebook.schema import MIGRATIONS, layout_of, migrate
from gapscan.notebook.types import Added, JobRecord, PieceRecord, Settings

WAIT_S = 10.0  # for another program to finish; an addition takes some milliseconds
_PIECE_COLUMNS = tuple(field.name for field in fields(PieceRecord))
_NUMBERS = ("_mm", "_mm2", "_deg", "_fraction", "curvature")
_INFINITE = (float("inf"), float("-inf"))
_MAY_BE_MISSING = ("loss_mm", "u_mm", "bend_mm", "u_bend_mm")
_ENTRY_COLUMNS = ("design", "folder", "date", "sha256", "measured_sha256", "thickness_mm", "taper_deg", "settings")


def add_entries(
    path: Path, records: Sequence[JobRecord], *, replace_old: bool = False, wait_s: float = WAIT_S
) -> tuple[Added, ...]:
    """Add inspected dry fits to a notebook, all or none; makes the file where there is none.

    A record that is there already (same fit.json) is left alone, and so is one of the same measurement (the same
    photos inspected or planned again) unless ``replace_old``: then it takes the other's place.
    Raises InputError when the file cannot be used; it is then as it was.
    """
    _check_place(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise InputError(f"{path.parent}: cannot be made ({err.strerror or err}); give --book another place") from err
    with _opened(path, "rwc", wait_s) as connection, _changing(connection, path):
        return tuple(_add(connection, record, replace_old=replace_old) for record in records)


def read_book(path: Path, *, wait_s: float = WAIT_S) -> tuple[tuple[int, JobRecord], ...]:
    """Every entry with its number, oldest first; none for an empty file.

    Raises InputError where there is no such file, it is no notebook, of a newer layout, damaged or in use.
    """
    _check_place(path)
    if not path.exists():
        raise InputError(f"{path}: there is no notebook yet; gapscan notebook add makes one")
    # "rw" though nothing is changed: what a killed program left half done has to be taken back first. On a file that
    # may not be written SQLite reads only.
    with _opened(path, "rw", wait_s) as connection:
        connection.execute("BEGIN")
        layout = _known_layout(connection, path)
        if layout == 0:
            return ()
        if layout < len(MIGRATIONS):
            connection.execute("ROLLBACK")
            with _changing(connection, path):
                pass
            connection.execute("BEGIN")
        _check_whole(connection, path)
        return _entries(connection, path)


def _check_place(path: Path) -> None:
    try:
        if path.is_dir():
            raise InputError(f"{path}: is a folder; name the notebook's file in it")
        if path.exists() and not path.is_file():
            raise InputError(f"{path}: is no plain file; give --book another name")
    except (OSError, ValueError) as err:  # a name too long, or with a null character
        raise InputError(f"{str(path)!r}: is no usable path ({err}); give --book another name") from err


@contextmanager
def _opened(path: Path, mode: str, wait_s: float) -> Iterator[sqlite3.Connection]:
    """A connection in autocommit mode; whatever SQLite cannot do becomes one sentence (InputError)."""
    try:
        # isolation_level None: transactions begin and end where this module says so.
        with closing(
            sqlite3.connect(f"{path.absolute().as_uri()}?mode={mode}", uri=True, timeout=wait_s, isolation_level=None)
        ) as connection:
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("PRAGMA fullfsync = ON")
            connection.execute("PRAGMA foreign_keys = ON")
            yield connection
    except sqlite3.Error as err:
        _refuse(path, err, wait_s)


@contextmanager
def _changing(connection: sqlite3.Connection, path: Path) -> Iterator[None]:
    """One transaction on a file of this layout, checked and brought up to it: all or nothing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        layout = _known_layout(connection, path)
        if layout:
            _check_whole(connection, path)
        migrate(connection, layout)
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _known_layout(connection: sqlite3.Connection, path: Path) -> int:
    layout = layout_of(connection)
    if layout is None:
        raise InputError(f"{path}: is a database, but no notebook of gapscan; give --book another file")
    if layout > len(MIGRATIONS):
        raise InputError(
            f"{path}: was written by a newer gapscan (layout {layout}, this one knows {len(MIGRATIONS)}); "
            "update gapscan to use it"
        )
    return layout


def _check_whole(connection: sqlite3.Connection, path: Path) -> None:
    told = connection.execute("PRAGMA quick_check(1)").fetchone()
    if told is None or told[0] != "ok":
        _damaged(path, "its pages do not hang together" if told is None else str(told[0]))


def _damaged(path: Path, why: str) -> NoReturn:
    raise InputError(
        f"{path}: is damaged ({why}) and was left as it is; put a copy in its place, or move it away and add the result "
        "folders again"
    )


def _refuse(path: Path, err: sqlite3.Error, wait_s: float) -> NoReturn:
    name = str(getattr(err, "sqlite_errorname", ""))
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        raise InputError(
            f"{path}: another program has been using it for more than {wait_s:g} s; try again when it is done"
        ) from err
    if name == "SQLITE_NOTADB":
        raise InputError(f"{path}: is no notebook of gapscan; give --book another file") from err
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM", "SQLITE_AUTH")):
        raise InputError(
            f"{path}: cannot be written there; change the permissions of file and folder or give --book another place"
        ) from err
    if name.startswith(("SQLITE_FULL", "SQLITE_IOERR")):
        raise InputError(f"{path}: the disk is full or fails, nothing was added; free space and try again") from err
    try:
        _damaged(path, str(err))
    except InputError as refusal:
        raise refusal from err


def _add(connection: sqlite3.Connection, record: JobRecord, *, replace_old: bool) -> Added:
    known = connection.execute("SELECT id FROM entry WHERE sha256 = ?", (record.sha256,)).fetchone()
    if known is not None:
        return Added(record.folder, int(known[0]), "already there")
    before = connection.execute("SELECT id FROM entry WHERE measured_sha256 = ?", (record.measured_sha256,)).fetchone()
    if before is not None and not replace_old:
        return Added(record.folder, int(before[0]), "same measurement")
    values = (*(getattr(record, name) for name in _ENTRY_COLUMNS[:-1]), json.dumps(record.settings))
    marks = ", ".join("?" * len(values))
    if before is None:
        cursor = connection.execute(f"INSERT INTO entry ({', '.join(_ENTRY_COLUMNS)}) VALUES ({marks})", values)
        entry, outcome = int(cursor.lastrowid or 0), "added"
    else:
        entry, outcome = int(before[0]), "replaced"
        connection.execute(
            f"UPDATE entry SET {', '.join(f'{name} = ?' for name in _ENTRY_COLUMNS)} WHERE id = ?", (*values, entry)
        )
        connection.execute("DELETE FROM piece WHERE entry = ?", (entry,))
    marks = ", ".join("?" * (len(_PIECE_COLUMNS) + 1))
    connection.executemany(
        f"INSERT INTO piece (entry, {', '.join(_PIECE_COLUMNS)}) VALUES ({marks})",
        [(entry, *astuple(piece)) for piece in record.pieces],
    )
    return Added(record.folder, entry, outcome)


def _entries(connection: sqlite3.Connection, path: Path) -> tuple[tuple[int, JobRecord], ...]:
    found: dict[int, JobRecord] = {}
    pieces: dict[int, list[PieceRecord]] = {}
    try:
        for entry, *values in connection.execute(f"SELECT id, {', '.join(_ENTRY_COLUMNS)} FROM entry ORDER BY id"):
            given = dict(zip(_ENTRY_COLUMNS, values, strict=True))
            for name, value in given.items():
                _checked(name, value)
            found[entry] = JobRecord(**{**given, "settings": _settings(given["settings"])}, pieces=())
            pieces[entry] = []
        columns = ", ".join(_PIECE_COLUMNS)
        for entry, *values in connection.execute(f"SELECT entry, {columns} FROM piece ORDER BY entry, piece"):
            pieces[entry].append(_piece(dict(zip(_PIECE_COLUMNS, values, strict=True))))
    except (TypeError, ValueError, KeyError) as err:
        _damaged(path, f"an entry cannot be read: {err}")
    return tuple((entry, replace(record, pieces=tuple(pieces[entry]))) for entry, record in found.items())


def _piece(values: dict[str, Any]) -> PieceRecord:
    for name, value in values.items():
        _checked(name, value)
    return PieceRecord(**values)


def _checked(name: str, value: object) -> None:
    if value is None and name in _MAY_BE_MISSING:
        return
    # SQLite keeps no NaN, but infinities.
    if not isinstance(value, float if name.endswith(_NUMBERS) else str) or value in _INFINITE:
        raise ValueError(f"{name} is {value!r}")


def _settings(text: object) -> Settings:
    table = json.loads(str(text))
    return tuple((str(name), value if isinstance(value, str) else float(value)) for name, value in table)
