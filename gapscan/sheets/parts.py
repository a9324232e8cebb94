"""The pieces to cut again, from the folder of an inspection or a plan."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from shapely.geometry import MultiPolygon, Polygon

from gapscan.cutting.curves import curved_rings
from gapscan.cutting.rings import Ring
from gapscan.errors import InputError
from gapscan.job import Facing
from gapscan.recut.offset import offset_outline
from gapscan.text import named


@dataclass(frozen=True)
class CutPart:
    """One piece to cut again, at its place in the design, seen from the show face; mm, y down.

    rings       its new outline, curves as curves; outline the same as a polygon
    before      the outline that it was cut to the time before: that of the last round's recut, else the drawn one with
                the offset of the job file
    facing      how the show face lies on the bed
    grain_deg   direction of the grain, from x towards y; None where not told
    change_mm, u_change_mm  what the new outline adds to the offset, and its standard uncertainty
    """

    id: str
    rings: tuple[Ring, ...]
    outline: Polygon | MultiPolygon
    before: Polygon | MultiPolygon
    facing: Facing
    material: str
    grain_deg: float | None
    change_mm: float
    u_change_mm: float


def read_parts(folder: Path) -> tuple[CutPart, ...]:
    """The pieces in ``folder/recut.svg`` with what ``folder/fit.json`` says of them, sorted by id.

    Raises InputError when a file is not there or damaged, and when the two do not belong together.
    """
    from gapscan.design.pieces import outline_area
    from gapscan.design.read import load_drawing
    from gapscan.design.svg import read_svg
    from gapscan.report.reread import read_record, recorded_inspection

    source, drawing = folder / "fit.json", folder / "recut.svg"
    record, recorded = read_record(source)
    design, job = recorded_inspection(record, recorded, source=str(source)).design, recorded.job
    asked = {one["id"]: one for one in record["pieces"] if one["verdict"] == "recut"}
    outlines = read_svg(load_drawing(drawing), source=str(drawing)).outlines
    drawn = {one.name: one for one in outlines}
    if set(drawn) != set(asked) or len(drawn) < len(outlines):
        odd = sorted(set(drawn) ^ set(asked)) or sorted(one.name for one in outlines)
        raise InputError(
            f"{drawing}: does not hold the pieces that {source} lists for a recut (see {named(odd)}); "
            "run gapscan inspect or gapscan plan once more, and edit the sheets instead of recut.svg"
        )
    last = dict(recorded.given.past.as_cut)
    parts = []
    for name in sorted(asked):
        settings = job.settings(name)
        area = outline_area(drawn[name], source=str(drawing))
        parts.append(
            CutPart(
                id=name,
                rings=curved_rings(area),
                outline=area,
                before=last.get(name, offset_outline(design.piece(name).polygon, settings.offset_mm)),
                facing=settings.facing,
                material=settings.material,
                grain_deg=settings.grain_deg,
                change_mm=float(asked[name]["offset_change_mm"]),
                u_change_mm=float(asked[name]["standard_uncertainty_mm"] or 0.0),
            )
        )
    return tuple(parts)
