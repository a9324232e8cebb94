"""scipy's HiGHS, kept quiet."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

_ONE_AT_A_TIME = threading.RLock()


def milp(*args: Any, **options: Any) -> Any:
    """scipy.optimize.milp, without what HiGHS may write to the process's standard output."""
    from scipy import optimize

    with _quiet_output():
        return optimize.milp(*args, **options)


@contextmanager
def _quiet_output() -> Iterator[None]:
    """Lead file descriptor 1 elsewhere for a while.

    HiGHS writes a line there when a sub-problem gives out, whatever it is told of display: in the middle of a table or
    of JSON it would do harm.
    """
    with _ONE_AT_A_TIME:
        try:
            sys.stdout.flush()
            kept = os.dup(1)
        except (OSError, ValueError, AttributeError):  # no standard output at all
            yield
            return
        nowhere = os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(nowhere, 1)
            yield
        finally:
            os.dup2(kept, 1)
            os.close(kept)
            os.close(nowhere)


__all__ = ["milp"]
