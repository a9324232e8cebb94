"""The layout of the notebook's file, and the way from older layouts to this one.

``PRAGMA application_id`` says that a file is a notebook, ``PRAGMA user_version`` which layout it has.
"""

from __future__ import annotations

import sqlite3

APPLICATION_ID = 0x67617053  # "gapS"

# MIGRATIONS[k] takes a file of layout k to layout k + 1; an entry is never changed, only new ones are added.
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """
        CREATE TABLE entry (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            sha256 TEXT NOT NULL UNIQUE CHECK (length(sha256) = 64),
            measured_sha256 TEXT NOT NULL UNIQUE CHECK (length(measured_sha256) = 64),
            design TEXT NOT NULL,
            folder TEXT NOT NULL,
            date TEXT NOT NULL,
            thickness_mm REAL NOT NULL CHECK (thickness_mm > 0),
            taper_deg REAL NOT NULL CHECK (taper_deg >= 0),
            settings TEXT NOT NULL
        )
        """,
        """
        CREATE TABLE piece (
            entry INTEGER NOT NULL REFERENCES entry (id) ON DELETE CASCADE,
            piece TEXT NOT NULL,
            material TEXT NOT NULL,
            facing TEXT NOT NULL CHECK (facing IN ('up', 'down')),
            offset_mm REAL NOT NULL,
            loss_mm REAL,
            u_mm REAL CHECK (u_mm > 0),
            u_common_mm REAL NOT NULL CHECK (u_common_mm >= 0),
            bend_mm REAL,
            u_bend_mm REAL CHECK (u_bend_mm > 0),
            seen_fraction REAL NOT NULL CHECK (seen_fraction BETWEEN 0 AND 1),
            area_mm2 REAL NOT NULL CHECK (area_mm2 > 0),
            perimeter_mm REAL NOT NULL CHECK (perimeter_mm > 0),
            curvature REAL NOT NULL CHECK (curvature BETWEEN 0 AND 1),
            outline TEXT NOT NULL,
            PRIMARY KEY (entry, piece),
            CHECK ((loss_mm IS NULL) = (u_mm IS NULL)),
            CHECK ((bend_mm IS NULL) = (u_bend_mm IS NULL))
        ) WITHOUT ROWID
        """,
    ),
)


def layout_of(connection: sqlite3.Connection) -> int | None:
    """Layout of an open file: 0 for an empty one, None for one that is no notebook. Raises sqlite3.Error."""
    application, version = (
        int(connection.execute(f"PRAGMA {name}").fetchone()[0]) for name in ("application_id", "user_version")
    )
    if application == APPLICATION_ID:
        return version
    tables = int(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    return 0 if application == version == tables == 0 else None


def migrate(connection: sqlite3.Connection, layout: int) -> None:
    """Bring an open file of an older layout, or an empty one, to this layout; within the caller's transaction."""
    for step in MIGRATIONS[layout:]:
        for statement in step:
            connection.execute(statement)
    if layout < len(MIGRATIONS):
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
