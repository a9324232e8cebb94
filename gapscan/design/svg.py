"""The SVG file: its tree, units, names, and what is drawn at all.

Why svgelements, and how much of it. Weighed with one drawing of nested groups, ``use``, ``symbol``, nested
``svg``, hidden shapes and a length in cm:

- svgpathtools 1.8.0 (wheel of 2026): stops with a ValueError at the length in cm; without it, leaves out
  every ``use`` and nested ``svg``, draws what is hidden, and leaves units and ``viewBox`` to the caller.
- picosvg 0.23.0 (2026): stops at the length in cm, and at a ``use`` with a plain ``href``.
- svgelements 1.9.6 (2023, no release since): places every shape rightly and needs no other package, but takes
  a millimetre as 3.7795296 px (5e-7 off), loses the ``id`` of a ``use``, draws what ``visibility`` hides, and
  skips path data and transforms that it does not understand without a word.

None reads the whole. svgelements is used for the two grammars where it is good, path data and transform lists
(``svg_shapes.py``, which first refuses what it would skip); the tree is walked here, where names and notes
come from. Stylesheets are followed for ``display``, ``visibility`` and the size and alignment of letters only.
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass, replace
from pathlib import Path
from xml.etree.ElementTree import Element, TreeBuilder

import numpy as np
from numpy.typing import NDArray

from gapscan.design.drawn import CLOSE_MM, NO_LAYER, Drawn, Label, Layer, Line, Outline, apart_mm
from gapscan.design.svg_context import group_layer, letter_size, text_label
from gapscan.design.svg_shapes import PX_MM, length_mm, shape_runs, transform_matrix
from gapscan.design.svg_viewport import fit_box, root_viewport, view_box
from gapscan.errors import InputError
from gapscan.text import named

FloatArray = NDArray[np.float64]

_SVG = "{http://www.w3.org/2000/svg}"
_HREF = ("href", "{http://www.w3.org/1999/xlink}href")
_SHAPES = frozenset(("path", "rect", "circle", "ellipse", "line", "polyline", "polygon"))
_GROUPS = frozenset(("svg", "g", "a", "switch"))
_NOT_CUT = frozenset(("image", "foreignObject"))
_FOLLOWED = ("display", "visibility", "font-size", "text-anchor")
_MAX_DEPTH = 200
_MAX_SHAPES = 20_000
_RULE = re.compile(r"([^{}]+)\{([^{}]*)\}")


@dataclass(frozen=True)
class _State:
    """What an element inherits. ``use_name`` is None outside a ``use``, else the id that names the clone."""

    to_mm: FloatArray
    viewport: tuple[float, float]
    visible: bool = True
    depth: int = 0
    chain: tuple[str, ...] = ()
    use_name: str | None = None
    layer: Layer = NO_LAYER
    letters: float = 16.0  # CSS: the usual "medium"
    align: str = "start"


def read_svg(raw: bytes, *, source: str, px_mm: float = PX_MM) -> Drawn:
    """What an SVG draws: outlines, open lines and labels in drawing order, in mm, and notes on what was left out.

    ``px_mm`` is the length of a px where the drawing gives no other size. Raises InputError when the text is not SVG,
    declares entities, or holds attributes that cannot be read.
    """
    root = _parse(raw, source)
    if root.tag not in (_SVG + "svg", "svg"):
        raise InputError(f"{source}: not an SVG drawing (its root is <{_local(root)}>); save it as plain SVG")
    walk = _Walk(root, source, px_mm)
    with np.errstate(all="ignore"):  # overflow shows as coordinates that are not finite, which are refused
        to_mm, viewport, units = root_viewport(root, source, px_mm=px_mm)
        walk.children(root, _State(to_mm, viewport))
    return Drawn(tuple(walk.outlines), tuple(walk.lines), tuple(walk.labels), tuple(walk.notes()), units)


def closed_rings_mm(path: Path) -> list[FloatArray]:
    """Every closed ring of an SVG file in drawing order, (N, 2) in mm with the first point repeated at the
    end.

    For drawings that are not a design, such as the scale frame. Raises InputError as :func:`read_svg` does.
    """
    from gapscan.design.read import load_drawing

    drawn = read_svg(load_drawing(path), source=str(path))
    rings = [ring for outline in drawn.outlines for ring in outline.rings]
    return [r if np.array_equal(r[0], r[-1]) else np.concatenate([r, r[:1]]) for r in rings]


def _parse(raw: bytes, source: str) -> Element:
    """XML to a tree by expat, with entity declarations refused and nothing fetched."""
    from xml.parsers import expat

    builder = TreeBuilder()
    parser = expat.ParserCreate(namespace_separator="}")
    parser.buffer_text = True
    depth = 0

    def name(text: str) -> str:
        return "{" + text if "}" in text else text

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal depth
        depth += 1
        if depth > _MAX_DEPTH:
            raise InputError(f"{source}: groups are nested more than {_MAX_DEPTH} deep; ungroup the drawing")
        builder.start(name(tag), {name(k): v for k, v in attributes.items()})

    def end(tag: str) -> None:
        nonlocal depth
        depth -= 1
        builder.end(name(tag))

    def entity(*_: object) -> None:
        raise InputError(f"{source}: declares XML entities, which are not read for safety; save it as plain SVG")

    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = builder.data
    parser.EntityDeclHandler = entity
    try:
        parser.Parse(raw, True)
        return builder.close()
    except (expat.ExpatError, ValueError, LookupError) as err:
        raise InputError(f"{source}: not well-formed XML ({err}); save the drawing again as SVG") from err


class _Walk:
    """One pass over the tree; collects outlines and what was left out, by reason."""

    def __init__(self, root: Element, source: str, px_mm: float) -> None:
        self.source = source
        self.px_mm = px_mm
        self.outlines: list[Outline] = []
        self.lines: list[Line] = []
        self.labels: list[Label] = []
        self._ignored: dict[str, list[str]] = defaultdict(list)
        self._shapes = 0
        self._by_id: dict[str, Element] = {}
        for element in root.iter():
            if element.get("id"):
                self._by_id.setdefault(element.get("id", "").strip(), element)
        self._rules = _stylesheet(root)

    def notes(self) -> list[str]:
        return [f"ignored {reason}: {named(names)}" for reason, names in self._ignored.items()]

    def children(self, parent: Element, state: _State) -> None:
        inner = [c for c in parent if isinstance(c.tag, str)]
        if _local(parent) == "switch":
            inner = [c for c in inner if not c.get("requiredExtensions") and not c.get("systemLanguage")][:1]
        for child in inner:
            self.element(child, state)

    def element(self, element: Element, state: _State) -> None:
        tag = _local(element)
        if tag in _NOT_CUT:
            self._ignored[f"{tag} elements"].append(_label(element))
        if tag not in _SHAPES and tag not in _GROUPS and tag not in ("use", "text"):
            return
        where = f"{self.source}: {tag} {_label(element)}"
        if state.depth > _MAX_DEPTH:
            raise InputError(f"{where} is nested more than {_MAX_DEPTH} deep; ungroup the drawing")
        style = self._style(element)
        if style.get("display") == "none":
            self._ignored["hidden elements"].append(_label(element))
            return
        visible = {"hidden": False, "collapse": False, "visible": True}.get(style.get("visibility", ""), state.visible)
        to_mm = state.to_mm
        if element.get("transform", "").strip() and tag != "svg":
            to_mm = to_mm @ transform_matrix(element.get("transform", ""), where=where)
        size = letter_size(style.get("font-size", ""), state.letters, px_mm=self.px_mm, where=where)
        align = style.get("text-anchor", state.align)
        state = replace(state, to_mm=to_mm, visible=visible, depth=state.depth + 1, letters=size, align=align)
        if tag in _GROUPS or element.get("data-material"):
            state = replace(state, layer=group_layer(element, state.layer))
        if element.get("clip-path", "none") != "none" or element.get("mask", "none") != "none":
            self._ignored["clip paths and masks (the whole outline counts)"].append(_label(element))
        if tag == "use":
            self._use(element, state, where)
        elif tag == "svg":
            self.children(element, self._nested(element, element, state, where))
        elif tag in _GROUPS:
            self.children(element, state)
        elif tag == "text":
            self._text(element, state)
        else:
            self._shape(element, tag, state, where)

    def _text(self, element: Element, state: _State) -> None:
        sizes = [s for e in element if isinstance(e.tag, str) and (s := self._style(e).get("font-size"))]
        size = letter_size(sizes[0] if sizes else "", state.letters, px_mm=self.px_mm, where="")
        found = text_label(
            element,
            state.to_mm,
            size=size,
            align=state.align,
            label=_label(element),
            layer=state.layer,
            px_mm=self.px_mm,
        )
        if found is not None and state.visible:
            self.labels.append(found)
        else:
            self._ignored["text elements"].append(_label(element))

    def _shape(self, element: Element, tag: str, state: _State, where: str) -> None:
        self._shapes += 1
        if self._shapes > _MAX_SHAPES:
            raise InputError(f"{self.source}: draws more than {_MAX_SHAPES} shapes; remove clones and clutter")
        if not state.visible:
            self._ignored["hidden elements"].append(_label(element))
            return
        runs = shape_runs(tag, element.attrib, state.to_mm, viewport=state.viewport, where=where, px_mm=self.px_mm)
        if not all(np.isfinite(run.points_mm).all() for run in runs):
            raise InputError(f"{where} has coordinates that are not finite numbers; draw it again")
        closed = [r for r in runs if r.closed or (len(r.points_mm) > 2 and apart_mm(r.points_mm) <= CLOSE_MM)]
        if not runs:
            self._ignored["empty shapes"].append(_label(element))
        for run in runs:
            if not any(run is r for r in closed):
                own = element.get("id", "").strip() if state.use_name is None else ""
                self.lines.append(Line(run.points_mm, _label(element), own, state.layer, self._shapes))
        if not closed:
            return
        name = element.get("id", "").strip()
        stem = ""
        if state.use_name is not None:  # the shape's own id may be drawn elsewhere, or by other clones
            name, stem = "", state.use_name or name
        rings = tuple(r.points_mm for r in closed)
        self.outlines.append(Outline(name=name, stem=stem, rings=rings, layer=state.layer, order=self._shapes))

    def _use(self, element: Element, state: _State, where: str) -> None:
        href = next((element.get(k, "").strip() for k in _HREF if element.get(k)), "")
        if href and not href.startswith("#"):
            raise InputError(f"{where} points to another file ({href[:60]}); break the link so that the shape is here")
        target = self._by_id.get(href[1:])
        if target is None:
            self._ignored["clones of missing shapes"].append(_label(element))
            return
        if href in state.chain:
            raise InputError(f"{where} clones itself by way of {href}; break the link in the drawing program")

        def offset(key: str, of: float) -> float:
            return self._length(element.get(key) or "0", of, where)

        shift = np.eye(3)
        shift[:2, 2] = offset("x", state.viewport[0]), offset("y", state.viewport[1])
        own = element.get("id", "").strip()
        state = replace(state, to_mm=state.to_mm @ shift, chain=(*state.chain, href), use_name=state.use_name or own)
        before = len(self.outlines)
        if _local(target) in ("symbol", "svg"):
            self.children(target, self._nested(target, element, state, where))
        else:
            self.element(target, state)
        if own and state.use_name == own and len(self.outlines) == before + 1:
            # one shape cloned: it is the piece, and the clone's own id is its name
            self.outlines[before] = replace(self.outlines[before], name=own, stem="")

    def _nested(self, element: Element, sizes: Element, state: _State, where: str) -> _State:
        """Inside a nested ``svg`` or a cloned ``symbol``; ``sizes`` holds width and height."""

        def value(key: str, of: float, default: str) -> float:
            text = sizes.get(key) or element.get(key) or default
            text = default if text == "auto" else text
            return self._length(text, of, where)

        width, height = value("width", state.viewport[0], "100%"), value("height", state.viewport[1], "100%")
        to_mm = state.to_mm
        if element is sizes:
            shift = np.eye(3)
            shift[:2, 2] = value("x", state.viewport[0], "0"), value("y", state.viewport[1], "0")
            to_mm = to_mm @ shift
        box = view_box(element, self.source)
        if box is None:
            return replace(state, to_mm=to_mm, viewport=(width, height))
        fit = fit_box(box, (width, height), element.get("preserveAspectRatio", ""))
        return replace(state, to_mm=to_mm @ fit, viewport=(box[2], box[3]))

    def _length(self, text: str, whole: float, where: str) -> float:
        """A length in user units; ``whole`` is what per cent are of."""
        px = self.px_mm
        return length_mm(text, percent_of_mm=whole * px, where=where, px_mm=px) / px

    def _style(self, element: Element) -> dict[str, str]:
        """The properties followed here: attribute, then stylesheet, then the style attribute."""
        found = {k: element.get(k, "").strip() for k in _FOLLOWED if element.get(k)}
        if self._rules:
            keys = ["*", _local(element), *(f".{c}" for c in element.get("class", "").split())]
            for key in [*keys, f"#{element.get('id', '')}"]:
                found.update(self._rules.get(key, {}))
        found.update(_declarations(element.get("style", "")))
        return found


def _stylesheet(root: Element) -> dict[str, dict[str, str]]:
    rules: dict[str, dict[str, str]] = {}
    for sheet in root.iter(_SVG + "style"):
        text = re.sub(r"/\*.*?\*/", "", "".join(sheet.itertext()), flags=re.S)
        for selectors, body in _RULE.findall(text):
            for selector in selectors.split(","):
                rules.setdefault(selector.strip(), {}).update(_declarations(body))
    return {k: v for k, v in rules.items() if v}


def _declarations(text: str) -> dict[str, str]:
    pairs = (part.split(":", 1) for part in text.split(";") if ":" in part)
    found = {k.strip().lower(): v.replace("!important", "").strip().lower() for k, v in pairs}
    return {k: v for k, v in found.items() if k in _FOLLOWED}


def _local(element: Element) -> str:
    tag = element.tag
    if tag.startswith(_SVG):
        return tag[len(_SVG) :]
    return "" if tag.startswith("{") else tag  # other namespaces are not drawn


def _label(element: Element) -> str:
    own = element.get("id", "").strip()
    return f"'{own}'" if own else "(no id)"
