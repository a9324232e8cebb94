"""A result folder whose writer is killed is never taken for one that is whole."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from gapscan.errors import InputError
from gapscan.report.writers import FILES, write_outputs
from tests.rounds.killed import specimen

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="kills a forked process")


@pytest.mark.parametrize("there", ["absent", "there"])
def test_killed_at_every_step(tmp_path, there):
    done = subprocess.run(
        [sys.executable, "-m", "tests.rounds.killed", str(tmp_path), there],
        capture_output=True, text=True, timeout=300, check=True, env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
    )  # fmt: skip
    first, *told = [json.loads(line) for line in done.stdout.splitlines()]
    old, last = first["old"], told[-1]
    notes = {"notes.txt"} if there == "there" else set()
    assert not last["killed"]
    whole = {name: digest for name, digest in last["two"].items() if name in FILES}
    assert set(whole) == set(FILES)
    assert set(last["two"]) == set(FILES) | notes
    before = {name: old[name] for name in FILES} if notes else {}
    kills = told[:-1]
    assert len(kills) >= (14 if notes else 8)  # staging, six files and the folder's renaming; six renamings at least
    seen = set()
    for one in kills:
        assert one["one"] == last["one"], "the round before was touched"
        two = one["two"] or {}
        assert notes <= set(two), "a file that is not ours is gone"
        ours = {name: digest for name, digest in two.items() if name in FILES}
        of_old, of_new = ours.items() <= before.items(), ours.items() <= whole.items()
        assert of_old or of_new, f"step {one['step']}: files of two runs lie mixed"
        if "fit.json" in ours:
            assert ours in (before, whole), f"step {one['step']}: a record without its other files"
        seen.add("none" if not ours else "whole" if ours == whole else "old" if ours == before else "part")
    assert seen == ({"old", "part", "none", "whole"} if notes else {"none"})


def test_a_failing_exchange_puts_the_old_files_back(tmp_path, monkeypatch):
    out = tmp_path / "two"
    write_outputs(specimen(0, "one"), out)
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    real = os.replace
    for fails_at in range(1, 13):
        count = 0

        def replace(src: Path, dst: Path, fails_at: int = fails_at) -> None:
            nonlocal count
            count += 1
            if count == fails_at:
                raise OSError(5, "Input/output error")
            real(src, dst)

        monkeypatch.setattr(os, "replace", replace)
        with pytest.raises(InputError, match="Input/output error"):
            write_outputs(specimen(2, "one"), out)
        monkeypatch.setattr(os, "replace", real)
        assert {p.name: p.read_bytes() for p in out.iterdir()} == before
        assert [p.name for p in tmp_path.iterdir()] == ["two"]
