"""The design as an inline SVG: every piece by its verdict, in pattern as well as colour."""

from __future__ import annotations

from dataclasses import dataclass

from gapscan.report.drawing import page_mm, path_data
from gapscan.report.labels import place_labels, shorten
from gapscan.report.types import Inspection

NAME_UNITS = 3.0  # height of a name in hundredths of the picture
_FEW = 8  # unsure pieces whose names still fit beside the others
_SHOWN_DETAIL = 1.0 / 2000.0  # of the page: finer nodes than this are not worth their bytes


@dataclass(frozen=True)
class PieceShape:
    """One piece as drawn: path data in mm, and what happens to it ("recut", "reseat", "unsure" or "keep")."""

    id: str
    action: str
    path: str


@dataclass(frozen=True)
class Label:
    """A name on its plate (x, y, width, height); ``leader`` (x1, y1, x2, y2) when it had to move aside."""

    text: str
    x: float
    y: float
    plate: tuple[float, float, float, float]
    leader: tuple[float, float, float, float] | None


@dataclass(frozen=True)
class DesignPicture:
    """What the page's template draws; lengths in mm."""

    view_box: str
    unit_mm: float
    name_mm: float
    shapes: tuple[PieceShape, ...]
    labels: tuple[Label, ...]


def design_picture(inspection: Inspection) -> DesignPicture:
    """Shapes and labels of the whole design; pieces to recut or re-seat are named, unsure ones when few."""
    left, top, right, bottom = _extent(inspection)
    unit = max(right - left, bottom - top) / 100.0
    decisions = {decision.id: decision for decision in inspection.plan.decisions}
    shapes: list[PieceShape] = []
    actions: list[str] = []
    for piece in inspection.design.pieces:
        decision = decisions.get(piece.id)
        action = "unsure" if decision is None else str(decision.verdict)
        if decision is not None and decision.verdict == "keep" and decision.reseat_mm is not None:
            action = "reseat"
        path = path_data(piece.polygon, simplify_mm=100.0 * unit * _SHOWN_DETAIL)
        shapes.append(PieceShape(piece.id, action, path))
        actions.append(action)
    calls = {"recut", "reseat"} if actions.count("unsure") > _FEW else {"recut", "reseat", "unsure"}
    named = [p for p, action in zip(inspection.design.pieces, actions, strict=True) if action in calls]
    name = NAME_UNITS * unit
    texts = [shorten(piece.id, 16) for piece in named]
    anchors = [(p.polygon.representative_point().x, p.polygon.representative_point().y) for p in named]
    boxes = place_labels(
        anchors,
        [((0.62 * len(text) + 0.6) * name, 1.3 * name) for text in texts],
        bounds=(left, top, right, bottom),
        margin=0.2 * unit,
    )
    labels = []
    for text, (x, y), box in zip(texts, anchors, boxes, strict=True):
        centre = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
        moved = not (box[0] <= x <= box[2] and box[1] <= y <= box[3])
        plate = box[0], box[1], box[2] - box[0], box[3] - box[1]
        labels.append(Label(text, *centre, plate, (x, y, *centre) if moved else None))
    pad = unit
    view = (left - pad, top - pad, right - left + 2 * pad, bottom - top + 2 * pad)
    return DesignPicture(" ".join(f"{v:.3f}" for v in view), unit, name, tuple(shapes), tuple(labels))


def _extent(inspection: Inspection) -> tuple[float, float, float, float]:
    """The design's own extent: a far-off page origin would only shrink the picture."""
    bounds = [piece.polygon.bounds for piece in inspection.design.pieces]
    if not bounds:
        return page_mm(inspection)
    lefts, tops, rights, bottoms = zip(*bounds, strict=True)
    return min(lefts), min(tops), max(rights), max(bottoms)
