"""Sizes on the command line."""

from __future__ import annotations

import re

import click


class Size(click.ParamType[tuple[float, float]]):
    """Width x height in mm, such as 200x140."""

    name = "WIDTHxHEIGHT"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        if isinstance(value, tuple):
            return value
        match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*[xX×*]\s*(\d+(?:\.\d+)?)\s*(?:mm)?\s*", str(value))
        if match is None:
            self.fail(f"{value!r} is not a size; write it in mm, such as 200x140", param, ctx)
        return float(match[1]), float(match[2])
