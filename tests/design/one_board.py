"""One board of five pieces, told by its curves, and written in many styles by writers that know nothing of the reader.

The outlines to compare with are sampled here from the curves' own formulas, at steps of about 0.01 mm, and share no code
with gapscan. SVG is written with svgwrite, DXF with ezdxf.
"""

from __future__ import annotations

import functools
import math
from pathlib import Path

import ezdxf
import numpy as np
import shapely
import svgwrite
from svgwrite.extensions import Inkscape

WIDTH, HEIGHT = 80.0, 60.0
# x right, y down, mm. The arc runs round (-10, 30) at radius 50, so that (40, 30) lies on it.
EDGES = {
    "top1": ("line", (0, 0), (30, 0)),
    "top2": ("line", (30, 0), (80, 0)),
    "right1": ("line", (80, 0), (80, 35)),
    "right2": ("line", (80, 35), (80, 60)),
    "bottom2": ("line", (80, 60), (30, 60)),
    "bottom1": ("line", (30, 60), (0, 60)),
    "side": ("line", (0, 60), (0, 0)),
    "arc_a": ("arc", (30, 0), (40, 30)),
    "arc_b": ("arc", (40, 30), (30, 60)),
    "wave": ("cubic", (40, 30), (55, 18), (66, 48), (80, 35)),
}
ROUND = {
    "left": ("top1", "arc_a", "arc_b", "bottom1", "side"),
    "upper": ("top2", "right1", "-wave", "-arc_a"),
    "lower": ("wave", "right2", "bottom2", "-arc_b"),
}
CENTRE, RADIUS = (-10.0, 30.0), 50.0
DISC = ((14.0, 22.0), 8.0)
OVAL = ((60.0, 49.0), (10.0, 5.0), 20.0)  # centre, half axes, turn from x towards y in degrees
NAMES = ("left", "disc", "upper", "lower", "oval")
INSIDE = {"left": (5, 50), "disc": (14, 22), "upper": (60, 12), "lower": (42, 52), "oval": (60, 49)}
MATERIAL = {"left": "walnut", "disc": "maple", "upper": "cherry", "lower": "walnut", "oval": "maple"}


def _dense_edge(name):
    kind, *points = EDGES[name.lstrip("-")]
    p = np.array(points, dtype=float)
    n = 6000
    t = np.linspace(0, 1, n)[:, None]
    if kind == "line":
        xy = p[0] + t * (p[1] - p[0])
    elif kind == "arc":
        a = [math.atan2(q[1] - CENTRE[1], q[0] - CENTRE[0]) for q in p]
        turn = (a[0] + t * (a[1] - a[0])).ravel()
        xy = np.stack([CENTRE[0] + RADIUS * np.cos(turn), CENTRE[1] + RADIUS * np.sin(turn)], axis=1)
    else:
        xy = (1 - t) ** 3 * p[0] + 3 * (1 - t) ** 2 * t * p[1] + 3 * (1 - t) * t**2 * p[2] + t**3 * p[3]
    return xy[::-1] if name.startswith("-") else xy


def _dense_oval(centre, half, turn_deg):
    t = np.linspace(0, 2 * np.pi, 8000, endpoint=False)
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    x, y = half[0] * np.cos(t), half[1] * np.sin(t)
    return np.stack([centre[0] + c * x - s * y, centre[1] + s * x + c * y], axis=1)


@functools.cache
def truth():
    """The five pieces as polygons."""
    rings = {name: np.concatenate([_dense_edge(e)[:-1] for e in edges]) for name, edges in ROUND.items()}
    disc = shapely.Polygon(_dense_oval(DISC[0], (DISC[1], DISC[1]), 0.0))
    oval = shapely.Polygon(_dense_oval(*OVAL))
    return {
        "left": shapely.Polygon(rings["left"]).difference(disc),
        "disc": disc,
        "upper": shapely.Polygon(rings["upper"]),
        "lower": shapely.Polygon(rings["lower"]).difference(oval),
        "oval": oval,
    }


# ---- SVG -----------------------------------------------------------------------------------------------------------


def _xy(p, f=1.0, digits=6):
    return f"{p[0] * f:.{digits}f},{p[1] * f:.{digits}f}"


def segment(name, f=1.0):
    """Path data of one edge after its start; ``f`` is user units per mm."""
    kind, *p = EDGES[name.lstrip("-")]
    back = name.startswith("-")
    p = p[::-1] if back else p
    if kind == "line":
        return f"L{_xy(p[1], f)}"
    if kind == "arc":
        return f"A{RADIUS * f:.6f},{RADIUS * f:.6f} 0 0 {0 if back else 1} {_xy(p[1], f)}"
    return f"C{_xy(p[1], f)} {_xy(p[2], f)} {_xy(p[3], f)}"


def start(name, f=1.0):
    _, *p = EDGES[name.lstrip("-")]
    return f"M{_xy(p[-1] if name.startswith('-') else p[0], f)}"


def closed_path(piece, f=1.0):
    return start(ROUND[piece][0], f) + "".join(segment(e, f) for e in ROUND[piece]) + "Z"


def sheet(path: Path, size=("80mm", "60mm"), box="0 0 80 60", **more):
    if box:
        more["viewBox"] = box
    return svgwrite.Drawing(str(path), size=size, profile="full", debug=False, **more)


LINE = {"fill": "none", "stroke": "black", "stroke_width": 0.4}


def disc(dwg, f=1.0, **more):
    return dwg.circle(center=(DISC[0][0] * f, DISC[0][1] * f), r=DISC[1] * f, **more)


def oval(dwg, f=1.0, **more):
    (x, y), (a, b), turn = OVAL
    shape = dwg.ellipse(center=(x * f, y * f), r=(a * f, b * f), **more)
    shape.rotate(turn, center=(x * f, y * f))
    return shape


def shape_of(dwg, name, f=1.0, **more):
    if name == "disc":
        return disc(dwg, f, **more)
    if name == "oval":
        return oval(dwg, f, **more)
    return dwg.path(d=closed_path(name, f), **more)


def svg_closed(path, *, size=("80mm", "60mm"), box="0 0 80 60", f=1.0):
    dwg = sheet(path, size, box)
    for name in ("left", "upper", "lower", "disc", "oval"):
        dwg.add(shape_of(dwg, name, f, id=name, fill="tan"))
    dwg.save()


def svg_stacked(path):
    """The whole board first, everything else laid on it."""
    dwg = sheet(path)
    dwg.add(dwg.rect((0, 0), (80, 60), id="left"))
    right = "M30,0 L80,0 L80,60 L30,60 A50,50 0 0 0 40,30 A50,50 0 0 0 30,0 Z"
    dwg.add(dwg.path(d=right, id="lower"))
    for name in ("upper", "disc", "oval"):
        dwg.add(shape_of(dwg, name, id=name))
    dwg.save()


def _inner_lines(dwg, f=1.0, **more):
    group = dwg.g(**LINE, **more)
    group.add(dwg.path(d=start("arc_a", f) + segment("arc_a", f) + segment("arc_b", f), id="bow"))
    group.add(dwg.path(d=start("wave", f) + segment("wave", f), id="wave"))
    group.add(disc(dwg, f))
    group.add(oval(dwg, f))
    return group


def _texts(dwg, into, f=1.0):
    for name, (x, y) in INSIDE.items():
        into.add(dwg.text(name, insert=(x * f, (y + 0.7) * f), font_size=2 * f, text_anchor="middle"))


def svg_lines(path, *, labels=True):
    """A closed frame, and one line between neighbours."""
    dwg = sheet(path)
    dwg.add(dwg.rect((0, 0), (80, 60), **LINE))
    dwg.add(_inner_lines(dwg))
    if labels:
        _texts(dwg, dwg)
    dwg.save()


def svg_lines_all_open(path, *, over=0.04, under=0.04):
    """Every line open: the frame's sides stand over at the corners, the bow stops short of top and bottom, and the
    wave of the bow; a doodle and a loose end are left over."""
    dwg = sheet(path)
    group = dwg.g(**LINE)
    o, u = over, under
    for p, q in [((-o, 0), (80 + o, 0)), ((80, -o), (80, 60 + o)), ((80 + o, 60), (-o, 60)), ((0, 60 + o), (0, -o))]:
        group.add(dwg.line(p, q))
    turn = math.atan2(30, 40) - u / RADIUS
    a = [(CENTRE[0] + RADIUS * math.cos(s * turn), CENTRE[1] + RADIUS * math.sin(s * turn)) for s in (-1, 1)]
    group.add(dwg.path(d=f"M{_xy(a[0])} A50,50 0 0 1 {_xy(a[1])}", id="bow"))
    # the wave shortened at its start: de Casteljau at t
    p = np.array(EDGES["wave"][1:], dtype=float)
    t = u / (3 * np.hypot(*(p[1] - p[0])))
    q = p[:-1] + t * np.diff(p, axis=0)
    r = q[:-1] + t * np.diff(q, axis=0)
    s = r[0] + t * (r[1] - r[0])
    group.add(dwg.path(d=f"M{_xy(s)} C{_xy(r[1])} {_xy(q[2])} {_xy(p[3])}", id="wave"))
    group.add(disc(dwg))
    group.add(oval(dwg))
    group.add(dwg.polyline([(70, 10), (74, 12), (71, 15)], id="doodle"))
    dwg.add(group)
    dwg.save()


def svg_exploded(path):
    """Every piece drawn for itself, in single strokes: shared boundaries twice."""
    dwg = sheet(path)
    for edges in ROUND.values():
        for e in edges:
            dwg.add(dwg.path(d=start(e) + segment(e), **LINE))
    (x, y), r = DISC
    for d in (f"M{x - r},{y} A{r},{r} 0 0 1 {x + r},{y}", f"M{x - r},{y} A{r},{r} 0 0 0 {x + r},{y}"):
        dwg.add(dwg.path(d=d, **LINE))
    dwg.add(oval(dwg, **LINE))
    dwg.save()


def svg_crossing(path):
    """Lines that run right across each other and the frame's edge."""
    dwg = sheet(path)
    group = dwg.g(**LINE)
    for p, q in [((-6, 0), (85, 0)), ((80, -7), (80, 66)), ((88, 60), (-5, 60)), ((0, 64), (0, -6))]:
        group.add(dwg.line(p, q))
    turn = math.atan2(30, 40) + 0.08
    a = [(CENTRE[0] + RADIUS * math.cos(s * turn), CENTRE[1] + RADIUS * math.sin(s * turn)) for s in (-1, 1)]
    group.add(dwg.path(d=f"M{_xy(a[0])} A50,50 0 0 1 {_xy(a[1])}"))
    group.add(dwg.path(d="M36,33.2 L40,30" + segment("wave") + "L84,31.285714"))
    group.add(disc(dwg))
    group.add(oval(dwg))
    dwg.add(group)
    dwg.save()


def svg_layers(path, *, kind="layer"):
    """Layers as woods: layers of the drawing program, group ids, or data-material."""
    dwg = sheet(path)
    tool = Inkscape(dwg)
    for material in ("walnut", "cherry", "maple"):
        if kind == "layer":
            layer = tool.layer(label=material, locked=False)
        elif kind == "id":
            layer = dwg.g(id=material)
        else:
            layer = dwg.g(id="g" + str(len(material)))
            layer.attribs["data-material"] = material
        inner = dwg.g(id=f"g{10 + len(material)}")
        layer.add(inner)
        for name in ("left", "upper", "lower", "disc", "oval"):
            if MATERIAL[name] == material:
                inner.add(shape_of(dwg, name, id=name))
        dwg.add(layer)
    dwg.save()


def svg_nested(path):
    """Clones inside groups that are moved, turned, mirrored and scaled, all of which comes to nothing in the end."""
    dwg = sheet(path, ("8cm", "6cm"), "0 0 800 600")
    for name in ("left", "upper", "lower"):
        dwg.defs.add(dwg.path(d=closed_path(name), id=f"{name}-drawn"))
    dwg.defs.add(dwg.circle(center=(0, 0), r=1, id="unit"))
    outer = dwg.g(transform="scale(10) translate(40 30) rotate(30)")
    inner = dwg.g(transform="scale(-1 1) rotate(30)")  # mirrored: the turns add up to nothing with the next ones
    innermost = dwg.g(transform="scale(-1 1) translate(-40 -30)")
    for name in ("left", "upper", "lower"):
        innermost.add(dwg.use(f"#{name}-drawn", id=name))
    (x, y), r = DISC
    innermost.add(dwg.use("#unit", id="disc", transform=f"translate({x} {y}) scale({r})"))
    (x, y), (a, b), turn = OVAL
    innermost.add(dwg.use("#unit", id="oval", transform=f"translate({x} {y}) rotate({turn}) scale({a} {b})"))
    inner.add(innermost)
    outer.add(inner)
    dwg.add(outer)
    dwg.save()


def svg_gaps(path, *, by=0.008):
    """Neighbours moved apart and into each other by a little."""
    dwg = sheet(path)
    for k, name in enumerate(("left", "upper", "lower", "disc", "oval")):
        shape = shape_of(dwg, name, id=name)
        group = dwg.g(transform=f"translate({by * math.cos(2.4 * k):.6f} {by * math.sin(2.4 * k):.6f})")
        group.add(shape)
        dwg.add(group)
    dwg.save()


# ---- DXF: y up, so every y with a minus -----------------------------------------------------------------------------


def _up(p, f=1.0):
    return (p[0] * f, -p[1] * f)


def dxf_edge(space, name, f=1.0, **attribs):
    kind, *p = EDGES[name.lstrip("-")]
    q = [_up(v, f) for v in p]
    if kind == "line":
        space.add_line(q[0], q[1], dxfattribs=attribs)
    elif kind == "arc":
        a = [math.degrees(math.atan2(-(v[1] - CENTRE[1]), v[0] - CENTRE[0])) for v in p]
        space.add_arc(_up(CENTRE, f), RADIUS * f, min(a), max(a), dxfattribs=attribs)
    else:
        space.add_open_spline([(*v, 0) for v in q], degree=3, dxfattribs=attribs)


def bulged(piece, f=1.0, *, steps=400):
    """Vertices with bulges; the cubic edge in fine steps."""
    vertices = []
    for name in ROUND[piece]:
        kind, *p = EDGES[name.lstrip("-")]
        back = name.startswith("-")
        if kind == "cubic":
            t = np.linspace(0, 1, steps)[:-1, None]
            p = np.array(p[::-1] if back else p, dtype=float)
            xy = (1 - t) ** 3 * p[0] + 3 * (1 - t) ** 2 * t * p[1] + 3 * (1 - t) * t**2 * p[2] + t**3 * p[3]
            vertices += [(*_up(v, f), 0.0) for v in xy]
            continue
        first = p[-1] if back else p[0]
        bulge = 0.0
        if kind == "arc":
            a = [math.atan2(v[1] - CENTRE[1], v[0] - CENTRE[0]) for v in p]
            # clockwise on paper with y up when the angle grows with y down
            bulge = math.tan(abs(a[1] - a[0]) / 4) * (1 if back else -1)
        vertices.append((*_up(first, f), bulge))
    return vertices


def dxf_rounds(space, f=1.0, *, layer=None):
    (x, y), r = DISC
    space.add_circle(_up((x, y), f), r * f, dxfattribs={"layer": layer("disc")} if layer else {})
    (x, y), (a, b), turn = OVAL
    major = (a * f * math.cos(math.radians(turn)), -a * f * math.sin(math.radians(turn)))
    space.add_ellipse(_up((x, y), f), major, b / a, dxfattribs={"layer": layer("oval")} if layer else {})


def new_dxf(units=4):
    document = ezdxf.new("R2010")
    document.header["$INSUNITS"] = units
    return document


def dxf_closed(path, *, units=4, f=1.0, old=False, layer=lambda name: name):
    document = new_dxf(units)
    space = document.modelspace()
    for name in ROUND:
        add = space.add_polyline2d if old else space.add_lwpolyline
        add(bulged(name, f), format="xyb", close=True, dxfattribs={"layer": layer(name)})
    dxf_rounds(space, f, layer=layer)
    document.saveas(path)


def dxf_lines(path, *, units=4, f=1.0, miss=0.0):
    """Loose lines, arcs and a spline, one between neighbours, and texts."""
    document = new_dxf(units)
    space = document.modelspace()
    for name in EDGES:
        dxf_edge(space, name, f, layer="cut")
    dxf_rounds(space, f)
    space.add_line(_up((70, 10), f), _up((74, 13), f), dxfattribs={"layer": "doodle"})
    if miss:
        for line in space.query("LINE"):
            line.translate(miss * f, 0, 0)
    for k, (name, at) in enumerate(INSIDE.items()):
        if k % 2:
            text = space.add_mtext(name, dxfattribs={"char_height": 2 * f, "attachment_point": 5})
            text.set_location(_up(at, f))
        else:
            text = space.add_text(name, height=2 * f)
            text.set_placement(_up(at, f), align=ezdxf.enums.TextEntityAlignment.MIDDLE_CENTER)
    document.saveas(path)


def dxf_exploded(path):
    """Each piece for itself in loose lines and arcs, shared boundaries twice."""
    document = new_dxf()
    space = document.modelspace()
    for edges in ROUND.values():
        for name in edges:
            dxf_edge(space, name)
    dxf_rounds(space)
    document.saveas(path)


def dxf_blocks(path):
    """Pieces in blocks in a block: scaled, turned, mirrored, and mirrored back."""
    document = new_dxf()
    inner = document.blocks.new("inner")
    for name in ROUND:
        # drawn mirrored left to right and at half size
        half = [(-x / 2, y / 2, -b) for x, y, b in bulged(name)]
        inner.add_lwpolyline(half, format="xyb", close=True, dxfattribs={"layer": "0"})
    outer = document.blocks.new("outer")
    outer.add_blockref("inner", (0, 0), dxfattribs={"xscale": -1, "yscale": 1, "rotation": 0, "layer": "0"})
    (x, y), r = DISC
    outer.add_circle((x / 2, -y / 2), r / 2)
    unit = document.blocks.new("unit")
    unit.add_circle((0, 0), 1)
    (x, y), (a, b), turn = OVAL
    outer.add_blockref(
        "unit", (x / 2, -y / 2), dxfattribs={"xscale": a / 2, "yscale": b / 2, "rotation": -turn, "layer": "0"}
    )
    space = document.modelspace()
    space.add_blockref("outer", (0, 0), dxfattribs={"xscale": 2, "yscale": 2, "layer": "walnut"})
    document.saveas(path)


def svg_by_plotter(path):
    """The lines as matplotlib writes them: points of 1/72 inch, y turned, clip paths and style sheets all about."""
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure
    from matplotlib.patches import Arc, Circle, Ellipse, PathPatch, Rectangle
    from matplotlib.path import Path as Curve

    with mpl.rc_context({"svg.fonttype": "none", "path.simplify": False}):
        figure = Figure(figsize=(WIDTH / 25.4, HEIGHT / 25.4))
        FigureCanvasSVG(figure)
        axes = figure.add_axes((0, 0, 1, 1))
        axes.set(xlim=(0, WIDTH), ylim=(HEIGHT, 0))
        axes.set_axis_off()
        figure.patch.set_visible(False)
        turn = math.degrees(math.atan2(30, 40))
        for patch in (
            Rectangle((0, 0), 80, 60, fill=False),
            Arc(CENTRE, 2 * RADIUS, 2 * RADIUS, theta1=-turn, theta2=turn),
            PathPatch(Curve(EDGES["wave"][1:], [Curve.MOVETO] + [Curve.CURVE4] * 3), fill=False),
            Circle(*DISC, fill=False),
            Ellipse(OVAL[0], 2 * OVAL[1][0], 2 * OVAL[1][1], angle=OVAL[2], fill=False),
        ):
            axes.add_patch(patch)
        for name, at in INSIDE.items():
            axes.text(*at, name, ha="center", va="center", fontsize=5)
        figure.savefig(path)


def svg_by_another_writer(path):
    """The lines by drawsvg, with its own arcs and lines."""
    import drawsvg

    sheet = drawsvg.Drawing(WIDTH, HEIGHT)
    sheet.set_render_size("80mm", "60mm")
    style = {"fill": "none", "stroke": "black", "stroke_width": 0.2}
    sheet.append(drawsvg.Rectangle(0, 0, 80, 60, **style))
    turn = math.degrees(math.atan2(30, 40))
    sheet.append(drawsvg.Arc(*CENTRE, RADIUS, turn, -turn, **style))
    wave = drawsvg.Path(**style).M(40, 30).C(55, 18, 66, 48, 80, 35)
    sheet.append(wave)
    sheet.append(drawsvg.Circle(*DISC[0], DISC[1], **style))
    group = drawsvg.Group(transform=f"translate({OVAL[0][0]} {OVAL[0][1]}) rotate({OVAL[2]})")
    group.append(drawsvg.Ellipse(0, 0, *OVAL[1], **style))
    sheet.append(group)
    for name, (x, y) in INSIDE.items():
        sheet.append(drawsvg.Text(name, 2, x, y, center=True))
    sheet.save_svg(str(path))
