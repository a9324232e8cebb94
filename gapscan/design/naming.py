"""Names for shapes that have none of their own: texts that stand in them, their layer, or their place."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry import Polygon

from gapscan.design.drawn import Label, Layer, Outline
from gapscan.text import named


@dataclass(frozen=True)
class Labelled:
    """For each shape the labels that stand in it (indices), and the labels that stand in none."""

    inside: tuple[tuple[int, ...], ...]
    outside: tuple[int, ...]


def place_labels(labels: Sequence[Label], shapes: Sequence[Polygon]) -> Labelled:
    """Which shape each label stands in; of several in each other, the smallest.

    Where a text was set and where its letters have their middle may lie in different shapes. One of the two is taken
    for the whole drawing: the one that leaves fewer texts outside and fewer shapes with two; the middle when even.
    """
    ways = [_within(labels, shapes, [(g.middle_mm, g.anchor_mm)[way] for g in labels]) for way in (0, 1)]
    return min(ways, key=lambda w: len(w.outside) + sum(max(0, len(k) - 1) for k in w.inside))


def _within(labels: Sequence[Label], shapes: Sequence[Polygon], places: list[tuple[float, float]]) -> Labelled:
    inside: list[list[int]] = [[] for _ in shapes]
    outside = []
    tree = shapely.STRtree(list(shapes))
    area = shapely.area(list(shapes))
    for k, _ in enumerate(labels):
        held = tree.query(shapely.Point(places[k]), predicate="within") if len(shapes) else np.empty(0, dtype=int)
        if len(held):
            inside[int(held[area[held].argmin()])].append(k)
        else:
            outside.append(k)
    return Labelled(tuple(tuple(k) for k in inside), tuple(outside))


def name_by_labels(
    outlines: Sequence[Outline], shapes: Sequence[Polygon], labels: Sequence[Label], text_words: str
) -> tuple[list[Outline], list[str]]:
    """Outlines without a name of their own named after the text in them, and notes on texts that named nothing.

    A text in several shapes becomes their stem, to be numbered. Labels on two or more layers bring their layer along
    as the material of a shape that has none.
    """
    placed = place_labels(labels, shapes)
    unused = {labels[k].label for k in placed.outside}
    layers = {label.layer.name for label in labels if label.layer.name}
    notes: list[str] = []
    given: list[str] = []
    result: list[Outline] = []
    for outline, held in zip(outlines, placed.inside, strict=True):
        texts = list(dict.fromkeys(labels[k].text for k in held))
        if outline.name or not texts:
            unused |= {labels[k].label for k in held}
            given.append("")
            result.append(outline)
            continue
        if len(texts) > 1:
            shown = named([f"'{text}'" for text in texts])
            notes.append(f"one piece holds the labels {shown}; it is named after the first")
        elif len(held) > 1:
            notes.append(f"the label '{texts[0]}' stands {len(held)} times in one piece")
        layer = outline.layer
        brought = labels[held[0]].layer
        if not layer.name and (brought.rank == 3 or len(layers) > 1):
            layer = brought
        given.append(texts[0])
        result.append(replace(outline, layer=layer))
    taken = {outline.name for outline in outlines if outline.name}
    count = Counter(given)
    for k, text in enumerate(given):
        if text:
            alone = count[text] == 1 and text not in taken
            result[k] = replace(result[k], name=text if alone else "", stem=text)
    if unused:
        notes.append(f"ignored {text_words}: {named(sorted(unused))}")
    return result, notes


def name_by_layers(outlines: Sequence[Outline]) -> list[Outline]:
    """Outlines without name or text that are alone on their layer take its name."""
    count = Counter(o.layer.name for o in outlines)
    taken = {o.name for o in outlines}
    result = []
    for o in outlines:
        own = o.layer.name if count[o.layer.name] == 1 and o.layer.name not in taken else ""
        result.append(replace(o, name=own) if own and not o.name and not o.stem else o)
    return result


def settle_materials(outlines: Sequence[Outline], *, layers_name: bool) -> list[Outline]:
    """Layers that cannot be meant as materials taken off.

    Group ids count only where two or more are in use; where every layer holds a single shape and names it, layers are
    names and not materials.
    """
    groups = {o.layer.name for o in outlines if o.layer.rank == 1}
    count = Counter(o.layer.name for o in outlines if o.layer.name)
    names_only = layers_name and len(count) > 1 and max(count.values()) == 1
    result = []
    for o in outlines:
        idle = (o.layer.rank == 1 and len(groups) < 2) or (names_only and o.layer.rank < 3)
        result.append(replace(o, layer=Layer()) if idle else o)
    return result


def reading_order(shapes: Sequence[Polygon]) -> list[int]:
    """Rows from top to bottom, each from left to right; a row is as deep as half the middle height of all shapes."""
    if not shapes:
        return []
    boxes = shapely.bounds(list(shapes))
    x, y = (boxes[:, 0] + boxes[:, 2]) / 2, (boxes[:, 1] + boxes[:, 3]) / 2
    depth = 0.5 * float(np.median(boxes[:, 3] - boxes[:, 1]))
    rows: dict[int, list[int]] = defaultdict(list)
    row, top = -1, -np.inf
    for k in np.lexsort((x, y)).tolist():
        if y[k] > top + depth:
            row, top = row + 1, float(y[k])
        rows[row].append(k)
    return [k for line in rows.values() for k in sorted(line, key=lambda k: (x[k], y[k]))]
