"""The box lid: a wading bird among reeds before water, sun and hills. Our own drawing, 180 x 120 mm."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from shapely.geometry import Point, Polygon, box

from gapscan.simulate.drawing import Drawing, blade, closed_shape, make_drawing, paint, smooth_curve

WIDTH_MM, HEIGHT_MM, BORDER_MM = 180.0, 120.0, 7.0

# id prefix -> veneer; the first that fits counts
MATERIALS: tuple[tuple[str, str], ...] = (
    ("border", "walnut"),
    ("sun-halo", "pear"),
    ("sun", "holly"),
    ("sky", "maple"),
    ("hill-1", "pear"),
    ("hill", "cherry"),
    ("water", "ash"),
    ("glint", "holly"),
    ("bank", "walnut"),
    ("bird-wing", "walnut"),
    ("bird-crest", "walnut"),
    ("bird-tail", "walnut"),
    ("bird-bill", "pear"),
    ("bird-leg", "pear"),
    ("bird", "holly"),
    ("reed", "cherry"),
    ("mace", "walnut"),
)
_TINTS = {
    "walnut": "#5b3d2a",
    "pear": "#c58f66",
    "holly": "#f3ead2",
    "maple": "#e7cf9f",
    "cherry": "#9c5f3c",
    "ash": "#cdb892",
}


def material_of(piece_id: str) -> str:
    """The veneer a piece of the picture is cut from."""
    return next(material for prefix, material in MATERIALS if piece_id.startswith(prefix))


def picture(seed: int = 0) -> Drawing:
    """The box lid as a drawing. ``seed`` sways reeds and waves a little; 0 is the plain version."""
    rng = np.random.default_rng(seed)
    strength = 0.6 if seed else 0.0

    def sway() -> float:
        return strength * float(rng.normal())

    layers: dict[str, Polygon] = {}
    layers.update(_land(sway()))
    layers.update(_water(sway()))
    layers.update(_reeds(sway))
    layers.update(_bird())
    layers.update(_border())
    pieces = paint(layers, canvas=box(0.0, 0.0, WIDTH_MM, HEIGHT_MM), smallest_mm2=24.0)
    fills = {name: _tint(name) for name in pieces}
    return make_drawing(pieces, (WIDTH_MM, HEIGHT_MM), title="Box lid: wading bird", fills=fills)


def _tint(piece_id: str) -> str:
    """A colour for the screen: the veneer's, shaded a little so that neighbours of one veneer differ."""
    base = _TINTS[material_of(piece_id)]
    shade = 1.0 + 0.05 * ((sum(map(ord, piece_id)) % 5) - 2)
    parts = [min(255, round(int(base[i : i + 2], 16) * shade)) for i in (1, 3, 5)]
    return "#" + "".join(f"{p:02x}" for p in parts)


def _below(points: list[tuple[float, float]]) -> Polygon:
    """Everything below a smooth line from the left side to the right one."""
    top = smooth_curve(points)
    return Polygon([*map(tuple, top), (top[-1][0], HEIGHT_MM + 40.0), (top[0][0], HEIGHT_MM + 40.0)])


def _land(d: float) -> dict[str, Polygon]:
    """Sky bands, sun, hills: back to front."""
    return {
        "sky-1": box(0.0, 0.0, WIDTH_MM, HEIGHT_MM),
        "sky-2": _below([(0, 30 + d), (45, 23), (95, 28 - d), (140, 20), (180, 24)]),
        "sky-3": _below([(0, 42), (50, 38 + d), (100, 43), (145, 37 - d), (180, 41)]),
        "sun-halo": Point(131.0, 41.0).buffer(19.0, 128),
        "sun": Point(131.0, 41.0).buffer(12.5, 128),
        "hill-1": _below([(0, 60), (22, 51), (48, 57), (80, 47 + d), (112, 58), (140, 53), (180, 44)]),
        "hill-2": _below([(0, 54), (18, 57), (45, 66), (75, 62), (105, 66 - d), (150, 60), (180, 56)]),
        "hill-3": _below([(0, 69), (30, 66), (70, 71.5), (110, 73), (145, 67 + d), (180, 66)]),
    }


def _water(d: float) -> dict[str, Polygon]:
    """The lake in bands, the sun's glints on it, and the banks."""
    return {
        "water-1": _below([(0, 76), (40, 75), (90, 76.5), (140, 75), (180, 76)]),
        "water-2": _below([(0, 86), (25, 84 + d), (60, 87), (95, 84), (130, 87 - d), (180, 84)]),
        "water-3": _below([(0, 96), (30, 98), (70, 94 - d), (110, 98), (150, 95), (180, 97)]),
        "glint-1": closed_shape([(117, 80.5), (131, 78.3), (145, 80.6), (131, 82.4)]),
        "glint-2": closed_shape([(122, 91.5), (134, 89.4), (148, 91.4), (134, 93.4)]),
        "glint-3": closed_shape([(105, 103), (118, 100.6), (131, 103.2), (118, 105.4)]),
        "bank-1": _below([(-2, 96), (14, 99), (34, 105), (62, 106.5), (84, 109), (100, 113.5), (118, 121)]),
        "bank-2": _below([(118, 125), (130, 113), (148, 106.5), (166, 102), (182, 98)]),
    }


def _reeds(sway: Callable[[], float]) -> dict[str, Polygon]:
    """Reed blades and reedmace, left and right."""
    layers: dict[str, Polygon] = {}
    blades: list[tuple[list[tuple[float, float]], tuple[float, ...]]] = [
        ([(13, 116), (15, 90), (13, 62), (17 + sway(), 34)], (4.2, 4.4, 3.6, 1.6)),
        ([(20, 116), (24, 92), (30, 74), (40 + sway(), 60)], (4.0, 4.4, 3.4, 1.6)),
        ([(149, 116), (146, 92), (140, 74), (129 + sway(), 62)], (4.2, 4.6, 3.6, 1.6)),
        ([(157, 116), (156, 84), (158, 56), (153 + sway(), 27)], (4.4, 4.6, 3.8, 1.6)),
        ([(164, 116), (166, 94), (171, 75), (168 + sway(), 52)], (4.2, 4.4, 3.4, 1.6)),
    ]
    for number, (spine, widths) in enumerate(blades, 1):
        layers[f"reed-{number:02d}"] = blade(spine, widths)
    stems: list[list[tuple[float, float]]] = [
        [(28, 116), (29, 85), (27 + sway(), 50)],
        [(142, 116), (144, 84), (149 + sway(), 50)],
    ]
    for number, spine in enumerate(stems, len(blades) + 1):
        layers[f"reed-{number:02d}"] = blade(spine, (2.6, 2.4, 2.2))
        x, y = spine[-1]
        lean = (spine[-1][0] - spine[-2][0]) / (spine[-2][1] - spine[-1][1])
        layers[f"mace-{number - len(blades)}"] = blade(
            [(x - 3 * lean, y + 3), (x + 4 * lean, y - 4), (x + 12 * lean, y - 12)], (4.4, 6.0, 4.2)
        )
    return layers


def _bird() -> dict[str, Polygon]:
    """The wading bird, facing right."""
    return {
        "bird-leg-1": blade([(70.5, 74), (69, 88), (71, 92), (69.5, 109.5)], (3.2, 2.4, 2.5, 2.3)),
        "bird-leg-2": blade([(76, 74), (79, 87), (77, 92), (80.5, 111)], (3.2, 2.4, 2.5, 2.3)),
        "bird-tail": closed_shape([(58, 67), (50, 73), (43, 80.5), (46, 80), (55, 77), (64, 74)]),
        "bird-body": closed_shape(
            [
                (90, 52.5),
                (94.5, 60),
                (90, 70),
                (80, 77.5),
                (68, 79),
                (57, 74.5),
                (56, 66),
                (66, 58.5),
                (79, 54),
            ]
        ),
        "bird-neck": blade(
            [(86, 61), (95, 55), (94, 46), (86.5, 39), (86.5, 30), (93, 24.5)],
            (13.0, 9.0, 6.4, 5.4, 5.0, 5.2),
        ),
        "bird-crest": closed_shape([(93, 20.6), (85, 20.0), (75, 22.8), (71, 25.4), (78, 25.6), (88, 25.0)]),
        "bird-bill": closed_shape([(98, 21.8), (106, 23.4), (113.5, 26.8), (106, 26.6), (98, 27.2)]),
        "bird-head": closed_shape([(90, 20.5), (96, 19.2), (101.5, 22.5), (100.5, 26.8), (94, 28.2), (89, 26)]),
        "bird-wing": closed_shape(
            [
                (83, 57),
                (86.5, 62.5),
                (80, 69),
                (69, 72),
                (57, 75.5),
                (50, 76.6),
                (56, 71),
                (60, 64),
                (71, 56.8),
            ]
        ),
    }


def _border() -> dict[str, Polygon]:
    """Four mitred strips around."""
    w, h, b = WIDTH_MM, HEIGHT_MM, BORDER_MM
    return {
        "border-top": Polygon([(0, 0), (w, 0), (w - b, b), (b, b)]),
        "border-right": Polygon([(w, 0), (w, h), (w - b, h - b), (w - b, b)]),
        "border-bottom": Polygon([(w, h), (0, h), (b, h - b), (w - b, h - b)]),
        "border-left": Polygon([(0, h), (0, 0), (b, b), (b, h - b)]),
    }
