"""What the commands share: the terminal's consoles and the progress line."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console


def output_console() -> Console:
    """The console for results: colour only on a terminal and without NO_COLOR; 100 columns when piped."""
    from rich.console import Console

    width = None if sys.stdout.isatty() else 100
    return Console(highlight=False, emoji=False, markup=False, width=width, soft_wrap=False)


@contextmanager
def progress(*, quiet: bool) -> Iterator[Callable[[str], None]]:
    """A function that says what is being done: a changing line on a terminal's stderr, nothing elsewhere."""
    if quiet or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.text import Text

    with Console(stderr=True, emoji=False, markup=False).status(Text("starting")) as status:
        yield lambda words: status.update(Text(words))
