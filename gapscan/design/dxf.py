"""The DXF file, through ezdxf: closed curves of the model space to outlines in mm, y turned down."""

from __future__ import annotations

import io
import itertools
import math
from collections import Counter, defaultdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapscan.design.flatten import CHORD_MM, flatten_arc
from gapscan.design.pieces import CLOSE_MM, Outline, named
from gapscan.errors import InputError

FloatArray = NDArray[np.float64]

# $INSUNITS (DXF reference, header variables): 0 unitless, 1 inch, 2 foot, 4 mm, 5 cm, 6 m
_MOST_STEPS = 2000
_UNIT_MM = {0: 1.0, 1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0}


def read_dxf(raw: bytes, *, source: str) -> tuple[list[Outline], list[str]]:
    """Closed outlines of the model space in drawing order, in mm with y down, and notes on what was left out.

    A piece is named after its layer when it is alone on it (and the layer is not "0"). Raises InputError.
    """
    document = _load(raw, source)
    code = int(document.header.get("$INSUNITS", 0))
    if code not in _UNIT_MM:
        raise InputError(f"{source}: $INSUNITS is {code}, a unit not known here; save the drawing in mm")
    scale = _UNIT_MM[code]
    notes = ["no unit in the DXF file ($INSUNITS = 0): read as mm"] if code == 0 else []
    ignored: dict[str, list[str]] = defaultdict(list)
    found: list[tuple[str, FloatArray]] = []
    off = {layer.dxf.name.lower() for layer in document.layers if layer.is_off() or layer.is_frozen()}
    for entity in document.modelspace():
        layer, kind = str(entity.dxf.get("layer", "0")), entity.dxftype()
        if layer.lower() in off or entity.dxf.get("invisible", 0):
            ignored["hidden entities"].append(f"{kind} on '{layer}'")
            continue
        try:
            points = _points(entity, CHORD_MM / scale)
        except (ValueError, ArithmeticError, AttributeError, IndexError, TypeError) as err:
            raise InputError(f"{source}: {kind} on layer '{layer}' is damaged; draw that shape again") from err
        if points is None:
            ignored["entities that are not closed curves"].append(f"{kind} on '{layer}'")
            continue
        found.append((layer, points * [scale, -scale]))
    count = Counter(layer for layer, _ in found)
    outlines = [Outline(name=a if count[a] == 1 and a != "0" else "", stem="", rings=(p,)) for a, p in found]
    notes += [f"ignored {reason}: {named(names)}" for reason, names in ignored.items()]
    return outlines, notes


def _load(raw: bytes, source: str) -> Any:
    try:
        from ezdxf import recover
        from ezdxf.lldxf.const import DXFError
    except ImportError as err:
        raise InputError(f'{source}: reading DXF needs one more package; run pip install "gapscan[dxf]"') from err
    try:
        document, auditor = recover.read(io.BytesIO(raw))
    except (DXFError, OSError, ValueError, LookupError, AttributeError, TypeError) as err:
        raise InputError(f"{source}: not a readable DXF file; export the drawing again") from err
    if auditor.has_errors:
        raise InputError(f"{source}: the DXF file is damaged ({auditor.errors[0].message}); export it again")
    return document


def _points(entity: Any, chord: float) -> FloatArray | None:
    """(N, 2) points of a closed curve in drawing units; None when it is open or not a curve."""
    kind = entity.dxftype()
    if kind == "LWPOLYLINE":
        return _bulged([(x, y, b) for x, y, b in entity.get_points("xyb")], bool(entity.closed), entity, chord)
    if kind == "POLYLINE" and entity.is_2d_polyline and entity.dxf.flags & 6 == 0:
        at = [(v.dxf.location.x, v.dxf.location.y, v.dxf.get("bulge", 0.0)) for v in entity.vertices]
        return _bulged(at, bool(entity.is_closed), entity, chord)
    return _smooth(entity, kind, chord)


def _smooth(entity: Any, kind: str, chord: float) -> FloatArray | None:
    """Circles, whole ellipses and closed splines; None for anything else."""
    if kind == "CIRCLE":
        centre = _world(entity, [(entity.dxf.center.x, entity.dxf.center.y)])[0]
        axes = np.eye(2) * float(entity.dxf.radius)
        return flatten_arc(centre, axes, start_rad=0.0, sweep_rad=2 * math.pi, chord_mm=chord)
    if kind == "ELLIPSE":
        sweep = float(entity.dxf.end_param) - float(entity.dxf.start_param)
        if abs(abs(sweep) - 2 * math.pi) > 1e-6:
            return None
        axes = np.array([[a.x, a.y] for a in (entity.dxf.major_axis, entity.minor_axis)])
        centre = np.array([entity.dxf.center.x, entity.dxf.center.y])
        return flatten_arc(centre, axes, start_rad=0.0, sweep_rad=2 * math.pi, chord_mm=chord)
    if kind == "SPLINE":
        points = _spline(entity.construction_tool(), chord)
        closed = np.hypot(*(points[0] - points[-1])) <= CLOSE_MM * chord / CHORD_MM
        return points if closed and len(points) > 2 else None
    return None


def _spline(curve: Any, chord: float) -> FloatArray:
    """A B-spline over its own domain, from knot ``degree`` to knot ``count``.

    ezdxf flattens from the first knot to the last, which leaves the curve where the knots are not clamped
    (closed periodic splines). Even steps within each knot span, doubled until the curve's middle lies within
    the chord tolerance of each chord.
    """
    from scipy.interpolate import BSpline

    control = np.array([[p.x, p.y] for p in curve.control_points])
    weights = np.array(curve.weights() or np.ones(len(control)), dtype=float)
    knots, degree = np.array(curve.knots(), dtype=float), int(curve.order) - 1
    homogeneous = BSpline(knots, np.column_stack([control * weights[:, None], weights]), degree)

    def at(t: FloatArray) -> FloatArray:
        p = homogeneous(t)
        return np.asarray(p[:, :2] / p[:, 2:])

    spans = np.unique(knots[degree : len(control) + 1])
    parts = [at(spans[:1])]
    for t0, t1 in itertools.pairwise(spans):
        steps = 2
        while True:
            points = at(np.linspace(t0, t1, 2 * steps + 1))
            ends, middles = points[::2], points[1::2]
            if np.hypot(*(middles - (ends[1:] + ends[:-1]) / 2).T).max() <= chord or steps > _MOST_STEPS:
                break
            steps *= 2
        parts.append(ends[1:])
    return np.concatenate(parts)


def _bulged(vertices: list[tuple[float, float, float]], closed: bool, entity: Any, chord: float) -> FloatArray | None:
    """A polyline with bulges: bulge = tan(sweep / 4), positive anticlockwise (DXF reference)."""
    if len(vertices) < 2:
        return None
    ends = np.array([v[:2] for v in vertices])
    if not closed and np.hypot(*(ends[0] - ends[-1])) > CLOSE_MM * chord / CHORD_MM:
        return None
    parts: list[FloatArray] = [ends[:1]]
    following = vertices[1:] + (vertices[:1] if closed else [])
    for (x0, y0, bulge), (x1, y1, _) in zip(vertices, following, strict=False):
        a, b = np.array([x0, y0]), np.array([x1, y1])
        if abs(bulge) < 1e-9 or np.array_equal(a, b):
            parts.append(b[None])
            continue
        half = (b - a) / 2
        # distance from the chord's middle to the centre, in half chords: (1 - bulge²) / (2 bulge), to the
        # left
        centre = a + half + np.array([-half[1], half[0]]) * (1 - bulge**2) / (2 * bulge)
        start = float(np.arctan2(*(a - centre)[::-1]))
        axes = np.eye(2) * float(np.hypot(*(a - centre)))
        arc = flatten_arc(centre, axes, start_rad=start, sweep_rad=4 * math.atan(bulge), chord_mm=chord)
        arc[-1] = b
        parts.append(arc)
    points = _world(entity, np.concatenate(parts).tolist())
    return points if len(points) > 2 else None


def _world(entity: Any, points: list[Any]) -> FloatArray:
    """Object to world coordinates: entities drawn from behind have an extrusion of (0, 0, -1)."""
    ocs = entity.ocs()
    if not ocs.transform:
        return np.asarray(points, dtype=float)
    return np.array([[p.x, p.y] for p in ocs.points_to_wcs([(x, y, 0.0) for x, y in points])])
