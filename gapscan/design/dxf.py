"""The DXF file, through ezdxf: curves and texts of the model space in mm, y turned down, blocks taken apart."""

from __future__ import annotations

import io
from collections import defaultdict
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapscan.design.drawn import Drawn, Label, Layer, Line, Outline
from gapscan.design.dxf_curves import curve_points
from gapscan.design.dxf_text import TEXTS, entity_label
from gapscan.design.flatten import CHORD_MM
from gapscan.errors import InputError
from gapscan.text import named

FloatArray = NDArray[np.float64]

# $INSUNITS (DXF reference, header variables): 0 unitless, 1 inch, 2 foot, 4 mm, 5 cm, 6 m, 14 dm
_UNIT_MM = {0: 1.0, 1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0, 14: 100.0}
_UNIT_NAME = {1: "inches", 2: "feet", 4: "mm", 5: "cm", 6: "m", 14: "dm"}
_MAX_DEPTH = 50
_MAX_ENTITIES = 100_000
_NO_UNIT = "no unit in the DXF file ($INSUNITS = 0): read as mm"


def read_dxf(raw: bytes, *, source: str) -> Drawn:
    """What the model space draws: outlines, open lines and labels in drawing order, in mm with y down.

    A piece is named after its layer when it is alone on it (and the layer is not "0"). Raises InputError.
    """
    document = _load(raw, source)
    code = int(document.header.get("$INSUNITS", 0))
    if code not in _UNIT_MM:
        raise InputError(f"{source}: $INSUNITS is {code}, a unit not known here; save the drawing in mm")
    scale = _UNIT_MM[code]
    ignored: dict[str, list[str]] = defaultdict(list)
    outlines: list[Outline] = []
    lines: list[Line] = []
    labels: list[Label] = []
    off = {layer.dxf.name.lower() for layer in document.layers if layer.is_off() or layer.is_frozen()}
    for number, (entity, layer) in enumerate(_entities(document.modelspace(), source, ignored)):
        kind = entity.dxftype()
        what = f"{kind} on '{layer}'"
        if number >= _MAX_ENTITIES:
            raise InputError(f"{source}: draws more than {_MAX_ENTITIES} shapes; remove hatching and clutter")
        if layer.lower() in off or entity.dxf.get("invisible", 0):
            ignored["hidden entities"].append(what)
            continue
        meant = Layer() if layer == "0" else Layer(layer, 2)
        try:
            label = entity_label(entity, scale, what, meant) if kind in TEXTS else None
            found = curve_points(entity, CHORD_MM / scale)
        except (ValueError, ArithmeticError, AttributeError, IndexError, TypeError) as err:
            raise InputError(f"{source}: {kind} on layer '{layer}' is damaged; draw that shape again") from err
        if label is not None:
            labels.append(label)
        elif found is None:
            ignored["entities that are not curves"].append(what)
        elif not np.isfinite(found[0]).all():
            raise InputError(f"{source}: {what} has coordinates that are not finite numbers; draw it again")
        elif found[1]:
            outlines.append(Outline("", "", (found[0] * [scale, -scale],), meant, number))
        else:
            lines.append(Line(found[0] * [scale, -scale], what, "", meant, number))
    notes = [_NO_UNIT] if code == 0 else []
    notes += [f"ignored {reason}: {named(names)}" for reason, names in ignored.items()]
    units = "no unit given, taken as mm" if code == 0 else f"drawn in {_UNIT_NAME[code]}"
    return Drawn(
        tuple(outlines), tuple(lines), tuple(labels), tuple(notes), units,
        open_words="entities that are not closed curves", text_words="texts", layers_name=True,
    )  # fmt: skip


def _entities(
    space: Any, source: str, ignored: dict[str, list[str]], layer: str = "", depth: int = 0
) -> Iterator[tuple[Any, str]]:
    """Entities with their layers; those of blocks placed, scaled and mirrored as the block is.

    What lies on layer "0" in a block lies on the layer of the place where the block stands (DXF reference, BLOCK).
    """
    if depth > _MAX_DEPTH:
        raise InputError(f"{source}: blocks are nested more than {_MAX_DEPTH} deep; take them apart")
    for entity in space:
        own = str(entity.dxf.get("layer", "0"))
        own = layer if layer and own == "0" else own
        if entity.dxftype() != "INSERT":
            yield entity, own
            continue
        if entity.dxf.get("invisible", 0):
            ignored["hidden entities"].append(f"INSERT on '{own}'")
            continue
        if entity.block() is None:
            ignored["blocks that are missing"].append(f"'{entity.dxf.get('name', '')}'")
            continue
        yield from ((attribute, own) for attribute in entity.attribs)
        for one in entity.multi_insert() if entity.mcount > 1 else (entity,):
            yield from _entities(one.virtual_entities(), source, ignored, own, depth + 1)


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
