"""Write a result folder again and again, killed at one step further each time; told what was left as JSON lines.

    python -m tests.rounds.killed FOLDER there|absent

A step is any opening of a file for writing, any renaming, making or removing under FOLDER, as the interpreter's audit
events tell them (PEP 578): the process is killed just before it.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from gapscan.recut.types import Past
from gapscan.report.types import Inspection, RoundNews
from gapscan.report.writers import write_outputs
from tests.report.specimens import grid_inspection

_MOST = 400


def specimen(recut: int, after: str) -> Inspection:
    """A small inspection with a block ``round``."""
    block = {"number": 2, "after": after, "after_sha256": "0" * 64, "offsets_mm": {"p01": [0.0, 0.085]}}
    return replace(grid_inspection(recut=recut), news=RoundNews(block, ("Round 2.",), Past(0.9, 0.05)))


def snapshot(folder: Path) -> dict[str, str] | None:
    """Digest by name of the files in a folder; None where there is no folder."""
    if not folder.is_dir():
        return None
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.iterdir()) if p.is_file()}


def killed_at(step: int, under: Path, work: Callable[[], None]) -> bool:
    """Do the work in a process of its own that is killed before its n-th step; whether it was."""
    child = os.fork()
    if child == 0:
        count = 0

        def count_down(event: str, args: tuple[object, ...]) -> None:
            nonlocal count
            if event == "open":
                writes = isinstance(args[2], int) and args[2] & (os.O_WRONLY | os.O_RDWR)
            else:
                writes = event in ("os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.link", "os.truncate")
            if writes and str(under) in str(args[0]):
                count += 1
                if count == step:
                    os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(count_down)
        work()
        os._exit(0)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL:
        return True
    if status != 0:
        raise RuntimeError(f"the writer ended with {status}")
    return False


def main() -> None:
    """One line a kill: the state of both folders, and last of the whole writing."""
    base, there = Path(sys.argv[1]), sys.argv[2] == "there"
    first, second, old = base / "one", base / "two", base / "old"
    new = specimen(2, "one")
    write_outputs(grid_inspection(recut=1), first)
    write_outputs(specimen(0, "nowhere"), old)
    (old / "notes.txt").write_text("mine", encoding="utf-8")
    print(json.dumps({"old": snapshot(old)}))
    for step in range(1, _MOST):
        shutil.rmtree(second, ignore_errors=True)
        if there:
            shutil.copytree(old, second)
        killed = killed_at(step, base, lambda: write_outputs(new, second))
        print(json.dumps({"step": step, "killed": killed, "one": snapshot(first), "two": snapshot(second)}))
        for litter in base.glob(".two-*"):
            shutil.rmtree(litter)
        if not killed:
            return


if __name__ == "__main__":
    main()
