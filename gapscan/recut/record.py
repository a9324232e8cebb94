"""The plan's input as plain data for the fit record, and back: what ``gapscan plan`` needs without photo and drawing.

Numbers are rounded far below their uncertainty. A plan made at once and one made later from the record must be the
same, so the first is made from the rounded numbers too: :func:`as_recorded`.

Covariance of sizes. Light level, tone and slanted view lie on all pieces alike, so that every pair is correlated and a
plain triangle grows with the square of the number of pieces. Of the correlation matrix R one common factor is taken out,
R ≈ g gᵀ + remainder (one-factor model of factor analysis), and the remainder, which only neighbours have, is kept in
steps of 0.005 where it is not nil.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon

from gapscan.errors import InputError
from gapscan.job import Job, parse_job
from gapscan.measure.types import Reason
from gapscan.recut.job_table import job_table
from gapscan.recut.types import Past, PlanInput, SeamWindows

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LARGEST = 1e6  # mm, and every other number here is smaller still: a record that says more is damaged
_MOST_PIECES = 20_000  # 3 GB of covariance
_OUTLINE_DIGITS = (6, 8)  # more where a needle-thin outline would cross itself
_REMAINDER_STEP = 0.005
_FACTOR_ROUNDS, _FACTOR_COLUMNS = 8, 200

# name in the record -> (attribute, column or None, digits)
_RUNS: dict[str, tuple[str, int | None, int]] = {
    "normal_x": ("normal", 0, 4),
    "normal_y": ("normal", 1, 4),
    "cross_first_mm": ("cross_first", None, 2),
    "cross_second_mm": ("cross_second", None, 2),
    "x_mm": ("place_mm", 0, 2),
    "y_mm": ("place_mm", 1, 2),
    "length_mm": ("length_mm", None, 3),
    "seated_mm": ("seated_mm", None, 5),
    "standard_uncertainty_mm": ("u_mm", None, 5),
    "measured_mm": ("measured_mm", None, 5),
    "reason": ("reason", None, 0),
}
_PIECES: dict[str, tuple[str, int | None, int]] = {
    "undersize_mm": ("undersize_mm", None, 6),
    "undersize_standard_uncertainty_mm": ("u_undersize_mm", None, 6),
    "shift_x_mm": ("shift_mm", 0, 6),
    "shift_y_mm": ("shift_mm", 1, 6),
    "shift_x_standard_uncertainty_mm": ("u_shift_mm", 0, 6),
    "shift_y_standard_uncertainty_mm": ("u_shift_mm", 1, 6),
    "radius_mm": ("radius_mm", None, 4),
    "known_fraction": ("known_fraction", None, 6),
}
_MAY_BE_MISSING = {"measured_mm", *_PIECES} - {"radius_mm", "known_fraction"}
_NOT_NEGATIVE = ("length_mm", "standard_uncertainty_mm", "undersize_standard_uncertainty_mm", "radius_mm")


@dataclass(frozen=True)
class RecordedPlan:
    """What a fit record holds for a new plan.

    given          the measured part, as the stored plan was made from it
    job            the settings, as given to the stored plan
    drawing_notes  what was ignored or mended in the drawing
    """

    given: PlanInput
    job: Job
    drawing_notes: tuple[str, ...]


def as_recorded(given: PlanInput) -> PlanInput:
    """The same input in the digits that the record keeps: a plan made from it is the plan made from the record."""
    return _decode(_encode(given))


def plan_block(given: PlanInput, job: Job, drawing_notes: tuple[str, ...] = ()) -> dict[str, Any]:
    """The block ``plan`` of the fit record, ready for ``json.dumps(..., allow_nan=False)``.

    ``given`` is the input as measured, not one that has gone through :func:`as_recorded` already: the rounding is done
    once. Outlines are SVG path data in mm of the drawing, relative (``M x,y l dx,dy ... Z``, holes as further subpaths).
    """
    return {**_encode(given), "job": job_table(job), "drawing_notes": list(drawing_notes)}


def read_plan_block(block: object, *, source: str) -> RecordedPlan:
    """The block ``plan`` of a fit record, checked. Raises InputError naming ``source`` and what is wrong."""
    with undamaged(source):
        if not isinstance(block, dict):
            raise TypeError("its block plan is no table")
        given = _decode(block)
        table = block["job"]
        if not isinstance(table, dict):
            raise TypeError("the settings are no table")
        notes = strings(block["drawing_notes"])
        settings = [(str(pattern), keys) for pattern, keys in table["pieces"]]
        job = parse_job({key: value for key, value in table.items() if key != "pieces"}, source=source)
        pieces = tuple(
            entry
            for pattern, keys in settings
            for entry in parse_job({"pieces": {pattern: keys}}, source=source).pieces
        )
        return RecordedPlan(given, replace(job, pieces=pieces), notes)


@contextmanager
def undamaged(source: str) -> Iterator[None]:
    """Whatever cannot be read inside becomes one sentence: the file, the fault, the way out (InputError)."""
    try:
        yield
    except (KeyError, TypeError, ValueError, IndexError, AttributeError, OverflowError) as err:
        fault = f"it lacks {err}" if isinstance(err, KeyError) else str(err)
        raise InputError(
            f"{source}: is damaged and cannot be planned from ({fault}); run gapscan inspect once more"
        ) from err


def numbers(value: object, name: str, *, count: int | None = None, missing: bool = False) -> FloatArray:
    """A list of numbers from a record (N,); null becomes NaN where ``missing`` allows it.

    Raises ValueError for what is no list of finite numbers of sensible size, or not ``count`` of them.
    """
    if not isinstance(value, list) or any(isinstance(entry, str | bool) for entry in value):
        raise ValueError(f"{name} is no list of numbers")
    found = np.array(value, dtype=np.float64)
    if found.ndim != 1 or (count is not None and len(found) != count):
        raise ValueError(f"{name} holds {len(found)} entries, not {count}")
    lost = np.isnan(found)
    if lost.any() and not missing:
        raise ValueError(f"{name} lacks a number")
    if not (np.abs(found[~lost]) <= LARGEST).all():
        raise ValueError(f"{name} holds a number that is out of range")
    return found


def whole_numbers(value: object, name: str, *, low: int, below: int, count: int | None = None) -> IntArray:
    """A list of whole numbers from ``low`` on and below ``below`` (N,); raises ValueError."""
    found = numbers(value, name, count=count)
    if (found != np.rint(found)).any() or (found < low).any() or (found >= below).any():
        raise ValueError(f"{name} holds a number that is out of range")
    return found.astype(np.int64)


def strings(value: object) -> tuple[str, ...]:
    """A list of texts; raises TypeError."""
    if not isinstance(value, list) or not all(isinstance(entry, str) for entry in value):
        raise TypeError("a list of texts was expected")
    return tuple(value)


def _encode(given: PlanInput) -> dict[str, Any]:
    windows = given.windows
    seams = len(given.seam_ids)
    if (np.diff(windows.seam) < 0).any():
        raise ValueError("runs of seam are expected seam by seam")
    first_run = np.searchsorted(windows.seam, np.arange(seams))
    runs = np.bincount(windows.seam, minlength=seams)
    has = runs > 0
    sides = np.full((seams, 2), -1)
    sides[has] = np.column_stack([windows.first, windows.second])[first_run[has]]
    return {
        "pieces": {
            "id": list(given.ids),
            "outline": [_path_data(outline) for outline in given.outlines],
            **{name: _column(given, *where) for name, where in _PIECES.items()},
        },
        "seams": {"id": list(given.seam_ids), "pieces": sides.tolist(), "runs": runs.tolist()},
        "runs": {name: _column(windows, *where) for name, where in _RUNS.items()},
        "size_covariance": _encode_covariance(given.size_covariance),
        **_encode_past(given.past),
    }


def _decode(block: dict[str, Any]) -> PlanInput:
    """The input from its block; whatever is wrong raises one of the errors that :func:`undamaged` turns to words."""
    pieces, seams, runs = block["pieces"], block["seams"], block["runs"]
    ids, seam_ids = strings(pieces["id"]), strings(seams["id"])
    if not 0 < len(ids) <= _MOST_PIECES or len(set(ids)) < len(ids) or len(set(seam_ids)) < len(seam_ids):
        raise ValueError("it names no pieces, too many, or one twice")
    outlines = tuple(_polygon(d, i) for d, i in zip(strings(pieces["outline"]), ids, strict=True))
    count = whole_numbers(seams["runs"], "runs", low=0, below=100_000, count=len(seam_ids))
    sides = (
        np.array([whole_numbers(pair, "pieces of a seam", low=-1, below=len(ids), count=2) for pair in seams["pieces"]])
        .reshape(-1, 2)
        .astype(np.int64)
    )
    if len(sides) != len(seam_ids) or ((sides[:, 0] == sides[:, 1]) | (sides < 0).any(axis=1))[count > 0].any():
        raise ValueError("a seam does not name its two pieces")
    seam = np.repeat(np.arange(len(seam_ids)), count)
    of_run = _columns(runs, _RUNS, len(seam))
    of_piece = _columns(pieces, _PIECES, len(ids))
    whole_numbers(runs["reason"], "reason", low=0, below=len(Reason))
    return PlanInput(
        ids=ids,
        outlines=outlines,
        seam_ids=seam_ids,
        windows=SeamWindows(
            seam=seam,
            first=sides[seam, 0],
            second=sides[seam, 1],
            **{**of_run, "reason": of_run["reason"].astype(np.int64)},
        ),
        size_covariance=_decode_covariance(block["size_covariance"], len(ids)),
        past=_decode_past(block["past"], ids) if "past" in block else Past(),
        **of_piece,
    )


def _encode_past(past: Past) -> dict[str, Any]:
    as_cut = {name: [_path_data(part) for part in getattr(cut, "geoms", [cut])] for name, cut in past.as_cut}
    block = {"response": [round(past.response, 6), round(past.u_response, 6)], "as_cut": as_cut}
    return {} if past == Past() else {"past": block}


def _decode_past(table: dict[str, Any], ids: tuple[str, ...]) -> Past:
    (response, u), parts = numbers(table["response"], "response", count=2).tolist(), table["as_cut"]
    if not 0.1 <= response <= 10.0 or u < 0.0 or not set(parts) <= set(ids) or not all(parts.values()):
        raise ValueError("what it tells of earlier rounds is out of range")
    cut = {name: [_polygon(data, name) for data in strings(some)] for name, some in parts.items()}
    return Past(response, u, tuple((name, p[0] if len(p) == 1 else MultiPolygon(p)) for name, p in cut.items()))


def _column(holder: PlanInput | SeamWindows, attribute: str, column: int | None, digits: int) -> list[float | None]:
    values = getattr(holder, attribute)
    values = np.round(values if column is None else values[:, column], digits) + 0.0  # no minus zero
    if digits == 0:
        return [int(value) for value in values]
    return [value if ok else None for value, ok in zip(values.tolist(), np.isfinite(values).tolist(), strict=True)]


def _columns(table: dict[str, Any], layout: dict[str, tuple[str, int | None, int]], count: int) -> dict[str, Any]:
    found: dict[str, list[FloatArray]] = {}
    for name, (attribute, _, _) in layout.items():
        values = numbers(table[name], name, count=count, missing=name in _MAY_BE_MISSING)
        if name in _NOT_NEGATIVE and (values < 0).any():
            raise ValueError(f"{name} is negative")
        found.setdefault(attribute, []).append(values)
    return {name: parts[0] if len(parts) == 1 else np.column_stack(parts) for name, parts in found.items()}


def _path_data(polygon: Polygon) -> str:
    """Relative SVG path data; steps are whole multiples of the last digit, so that their sum does not drift."""
    data = ""
    for digits in _OUTLINE_DIGITS:
        parts = []
        for ring in (polygon.exterior, *polygon.interiors):
            points = np.rint(np.asarray(ring.coords)[:-1, :2] * 10.0**digits)
            steps = (np.diff(points, axis=0, prepend=0.0) + 0.0) / 10.0**digits
            start, *others = [f"{x:.12g},{y:.12g}" for x, y in steps.tolist()]
            parts.append(f"M{start} l{' '.join(others)} Z")
        data = " ".join(parts)
        if _rings(data).is_valid:
            break
    return data


def _rings(data: str) -> Polygon:
    *rings, rest = data.split("Z")
    found = []
    for ring in rings:
        start, _, others = ring.strip().partition("l")
        values = np.array(f"{start.removeprefix('M')} {others}".replace(",", " ").split(), dtype=np.float64)
        points = np.round(values.reshape(-1, 2).cumsum(axis=0), _OUTLINE_DIGITS[-1])
        if len(points) < 3 or not (np.abs(points) <= LARGEST).all():
            raise ValueError("an outline has no three points in range")
        found.append(points)
    if rest.strip() or not found:
        raise ValueError("an outline is not closed")
    return Polygon(found[0], found[1:])


def _polygon(data: str, piece_id: str) -> Polygon:
    polygon = _rings(data)
    if not polygon.is_valid or polygon.area <= 0:
        raise ValueError(f"the outline of {piece_id} crosses itself")
    return polygon


def _encode_covariance(covariance: FloatArray) -> dict[str, list[Any]]:
    """Standard uncertainties, the common factor, and the remainder below the diagonal row by row."""
    u = np.sqrt(np.maximum(np.nan_to_num(np.diag(covariance)), 0.0))
    scale = np.where(u > 0, u, 1.0)
    R = np.nan_to_num(covariance) / np.outer(scale, scale)
    g = np.zeros(len(u))
    if len(u) > 3:
        # Far pairs have the common part alone; the median over all pairs of a piece is deaf to its few neighbours.
        some = np.unique(np.linspace(0, len(u) - 1, _FACTOR_COLUMNS).astype(np.int64))
        g = np.sqrt(np.maximum(np.median(R[:, some], axis=1), 0.0))
        for _ in range(_FACTOR_ROUNDS):
            g = np.clip(np.median(R[:, some] / np.maximum(g[some], 0.01), axis=1), 0.0, 1.0)
        g = np.round(g, 4)
    steps = np.rint(np.tril(R - np.outer(g, g), -1) / _REMAINDER_STEP).astype(np.int64)
    row, column = np.nonzero(steps)
    return {
        "u_mm": [float(f"{value:.4g}") for value in u],
        "common": g.tolist(),
        "entries": np.bincount(row, minlength=len(u)).tolist(),
        "column": column.tolist(),
        "steps": steps[row, column].tolist(),
    }


def _decode_covariance(table: dict[str, Any], pieces: int) -> FloatArray:
    u = numbers(table["u_mm"], "u_mm", count=pieces)
    g = numbers(table["common"], "common", count=pieces)
    entries = whole_numbers(table["entries"], "entries", low=0, below=pieces, count=pieces)
    row = np.repeat(np.arange(pieces), entries)
    column = whole_numbers(table["column"], "column", low=0, below=pieces, count=len(row))
    most = round(2 / _REMAINDER_STEP) + 1
    steps = whole_numbers(table["steps"], "steps", low=-most, below=most + 1, count=len(row))
    if (u < 0).any() or (np.abs(g) > 1).any() or (column >= row).any():
        raise ValueError("the covariance of sizes is out of range")
    remainder = np.zeros((pieces, pieces))
    remainder[row, column] = steps * _REMAINDER_STEP
    R = np.clip(np.outer(g, g) + remainder + remainder.T, -1.0, 1.0)
    np.fill_diagonal(R, 1.0)
    try:
        np.linalg.cholesky(R)
    except np.linalg.LinAlgError:  # rounding took it out of the positive matrices: the nearest one (Higham 1988)
        values, vectors = np.linalg.eigh(R)
        R = (vectors * np.maximum(values, 1e-9)) @ vectors.T
    return R * np.outer(u, u)
