"""A drawing written to a temporary file and read back."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from gapscan.design.read import read_design
from gapscan.design.types import Design

SIZE = 'width="100mm" height="80mm" viewBox="0 0 100 80"'

Reader = Callable[..., Design]


@pytest.fixture
def draw(tmp_path: Path) -> Reader:
    """``draw(body, size=...)``: an SVG with this content, read as a design."""

    def read(body: str, *, size: str = SIZE) -> Design:
        path = tmp_path / "drawing.svg"
        path.write_text(
            f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" {size}>{body}</svg>',
            encoding="utf-8",
        )
        return read_design(path)

    return read
