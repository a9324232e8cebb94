"""The notebook's file: nothing lost, nothing half there, two at once, one sentence for what cannot be used."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from dataclasses import replace

import pytest

from gapscan.errors import InputError
from gapscan.notebook import schema
from gapscan.notebook.book import add_entries, read_book
from gapscan.notebook.schema import APPLICATION_ID, MIGRATIONS
from tests.notebook.specimens import piece, record


def test_what_goes_in_comes_out(tmp_path):
    book = tmp_path / "deep" / "book.sqlite"
    first = record(1, (piece("a", loss_mm=None, u_mm=None), piece("b", bend_mm=0.01, u_bend_mm=0.002), piece("ü|'\"")))
    second = record(2, settings=(("focus", "0.5 below"), ("power", 60.0)))
    done = add_entries(book, [first, second])
    assert [(one.entry, one.outcome) for one in done] == [(1, "added"), (2, "added")]
    assert read_book(book) == ((1, first), (2, second))


def test_the_same_record_is_one_entry(tmp_path):
    book = tmp_path / "book.sqlite"
    add_entries(book, [record(1)])
    assert add_entries(book, [record(1)])[0].outcome == "already there"
    again = replace(record(7), measured_sha256=record(1).measured_sha256)
    assert add_entries(book, [again])[0].outcome == "same measurement"
    assert read_book(book) == ((1, record(1)),)
    assert add_entries(book, [again], replace_old=True)[0].outcome == "replaced"
    assert read_book(book) == ((1, again),)


def test_all_or_none(tmp_path):
    book = tmp_path / "book.sqlite"
    add_entries(book, [record(1)])
    bad = record(3, (piece("x"), piece("x")))
    with pytest.raises(InputError):
        add_entries(book, [record(2), bad])
    assert read_book(book) == ((1, record(1)),)


def test_an_older_layout_is_brought_up(tmp_path, monkeypatch):
    book = tmp_path / "book.sqlite"
    add_entries(book, [record(1)])
    monkeypatch.setattr(schema, "MIGRATIONS", (*MIGRATIONS, ("ALTER TABLE entry ADD COLUMN note TEXT",)))
    monkeypatch.setattr("gapscan.notebook.book.MIGRATIONS", schema.MIGRATIONS)
    assert read_book(book) == ((1, record(1)),)
    with sqlite3.connect(book) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS) + 1,)
        assert connection.execute("SELECT note FROM entry").fetchall() == [(None,)]
    connection.close()


def snapshot(path):
    return path.read_bytes()


def run_sql(path, *statements):
    connection = sqlite3.connect(path)
    with connection:
        for statement in statements:
            connection.execute(statement)
    connection.close()


def newer(path):
    add_entries(path, [record(1)])
    run_sql(path, f"PRAGMA user_version = {len(MIGRATIONS) + 1}")


def other_database(path):
    run_sql(path, "CREATE TABLE birds (name TEXT)")


def damaged(path):
    add_entries(path, [record(k, tuple(piece(f"p{i:03d}") for i in range(200))) for k in range(1, 9)])
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 3000] = b"\x00\xff" * 1500
    path.write_bytes(data)


def cut_short(path):
    add_entries(path, [record(k, tuple(piece(f"p{i:03d}") for i in range(200))) for k in range(1, 9)])
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 3])


def some_text(path):
    path.write_bytes(b"not a database, but some text that is long enough " * 40)


@pytest.mark.parametrize(("make", "said"), [
    (newer, "was written by a newer gapscan"),
    (some_text, "is no notebook of gapscan"),
    (other_database, "is a database, but no notebook"),
    (damaged, "is damaged"),
    (cut_short, "is damaged|is no notebook"),
])  # fmt: skip
def test_refused_and_left_as_it_was(tmp_path, make, said):
    book = tmp_path / "book.sqlite"
    make(book)
    before = snapshot(book)
    for act in (lambda: add_entries(book, [record(5)]), lambda: read_book(book)):
        with pytest.raises(InputError, match=said):
            act()
        assert snapshot(book) == before


@pytest.mark.parametrize("change", [
    "UPDATE entry SET settings = 'x'",
    "UPDATE entry SET settings = '[[1]]'",
    "UPDATE piece SET loss_mm = 9e999",
    "UPDATE piece SET area_mm2 = 'wide'",
    "UPDATE entry SET design = x'00ff'",
])  # fmt: skip
def test_an_entry_that_was_tampered_with(tmp_path, change):
    book = tmp_path / "book.sqlite"
    add_entries(book, [record(1)])
    run_sql(book, "PRAGMA ignore_check_constraints = ON", change)
    with pytest.raises(InputError, match="is damaged"):
        read_book(book)


def test_in_use_by_another(tmp_path):
    book = tmp_path / "book.sqlite"
    add_entries(book, [record(1)])
    other = sqlite3.connect(book, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(InputError, match=r"another program has been using it for more than 0\.1 s"):
        add_entries(book, [record(2)], wait_s=0.1)
    other.execute("ROLLBACK")
    other.close()
    add_entries(book, [record(2)])
    assert len(read_book(book)) == 2


def test_places_that_cannot_be(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="is a folder"):
        add_entries(tmp_path, [record(1)])
    with pytest.raises(InputError, match="cannot be made"):
        add_entries(tmp_path / "file" / "book.sqlite", [record(1)])
    with pytest.raises(InputError, match="no notebook yet"):
        read_book(tmp_path / "none.sqlite")
    with pytest.raises(InputError, match="no usable path"):
        read_book(tmp_path / ("x" * 5000))
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match="no plain file"):
        read_book(tmp_path / "pipe")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(InputError, match="cannot be written there"):
        add_entries(tmp_path / "book.sqlite", [record(1)])


ADD = """
import sys
from pathlib import Path
from gapscan.notebook.book import add_entries
from tests.notebook.specimens import record
start = int(sys.argv[2])
for k in range(start, start + 25):
    add_entries(Path(sys.argv[1]), [record(k)])
"""


def test_two_programs_at_once(tmp_path):
    book = tmp_path / "book.sqlite"
    both = [subprocess.Popen([sys.executable, "-c", ADD, str(book), str(start)]) for start in (100, 200)]
    assert [one.wait(timeout=120) for one in both] == [0, 0]
    marks = {int(entry.sha256, 16) for _, entry in read_book(book)}
    assert marks == {*range(100, 125), *range(200, 225)}


# Dies at the n-th thing that SQLite is asked to do, with its transaction open as it then is.
KILL = """
import os, signal, sqlite3, sys
from pathlib import Path
import gapscan.notebook.book as book
from tests.notebook.specimens import piece, record
left = int(sys.argv[2])
def tick(_):
    global left
    left -= 1
    if left < 0:
        os.kill(os.getpid(), signal.SIGKILL)
real = sqlite3.connect
def connect(*a, **k):
    connection = real(*a, **k)
    connection.set_trace_callback(tick)
    # A cache of a page makes SQLite write into the file before the transaction is over.
    connection.execute("PRAGMA cache_size = 1")
    return connection
sqlite3.connect = connect
book.add_entries(Path(sys.argv[1]), [record(k, tuple(piece(f"p{i:03d}") for i in range(60))) for k in (2, 3)])
"""


def test_killed_at_any_statement(tmp_path):
    """Really killed (SIGKILL) before every statement in turn: the old entries are whole, the new ones all there or none."""
    whole = tmp_path / "whole.sqlite"
    old = record(1, tuple(piece(f"p{i:03d}") for i in range(60)))
    new = [record(k, tuple(piece(f"p{i:03d}") for i in range(60))) for k in (2, 3)]
    add_entries(whole, [old])
    killed = 0
    seen = set()
    for n in (*range(14), 20, 40, 70, 100, 130, 133, 134, 135, 136, 137, 138, 10_000):
        book = tmp_path / f"{n}.sqlite"
        shutil.copy(whole, book)
        done = subprocess.run([sys.executable, "-c", KILL, str(book), str(n)], timeout=60, check=False)
        killed += done.returncode == -signal.SIGKILL
        found = [entry for _, entry in read_book(book)]
        assert found in ([old], [old, *new])
        seen.add(len(found))
        add_entries(book, new)
        assert [entry for _, entry in read_book(book)] == [old, *new]
        if done.returncode == 0:
            break
    assert killed > 15
    assert seen == {1, 3}


def test_application_id_is_ascii():
    assert APPLICATION_ID.to_bytes(4, "big") == b"gapS"
