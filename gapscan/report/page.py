"""report.html: one self-contained page, no script, no outside links."""

from __future__ import annotations

import base64
import io
from dataclasses import fields
from importlib.resources import files
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from gapscan.measure.types import Budget
from gapscan.report.design_picture import design_picture
from gapscan.report.findings import NOT_SEEN, find, with_uncertainty
from gapscan.report.types import Inspection

if TYPE_CHECKING:
    from PIL.Image import Image

# Limit of the embedded JPEG: its base64 text stays below 1.5 MB, which any mail and phone takes.
JPEG_LIMIT_BYTES = 1_100_000


def report_html(inspection: Inspection, overlay: Image, record: dict[str, Any]) -> str:
    """The page as text.

    overlay  the picture of :func:`gapscan.report.overlay.overlay_image`
    record   the fit record of :func:`gapscan.report.archive.fit_json`

    Every name from a file is escaped by the template engine.
    """
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("gapscan", "report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["pm"] = with_uncertainty
    style = files("gapscan").joinpath("report/page.css").read_text(encoding="utf-8")
    return environment.get_template("page.html.j2").render(
        style=style,
        found=find(inspection),
        record=record,
        design=design_picture(inspection),
        job=inspection.job,
        source=PurePath(inspection.design.source).name,
        photo_uri="data:image/jpeg;base64," + base64.b64encode(jpeg_bytes(overlay)).decode("ascii"),
        photo_size=overlay.size,
        not_seen=NOT_SEEN,
        sources=_sources(record),
    )


def _sources(record: dict[str, Any]) -> tuple[tuple[str, str], ...]:
    """Sources of uncertainty as (name to show, key in the fit record); none where no seam has a budget."""
    if not any(seam["gap_mm"]["budget"] for seam in record["seams"]):
        return ()
    return tuple((source.name.replace("_", " ").capitalize(), source.name) for source in fields(Budget))


def jpeg_bytes(picture: Image, *, limit_bytes: int = JPEG_LIMIT_BYTES) -> bytes:
    """The picture as a JPEG of at most ``limit_bytes``: coarser first, then smaller."""
    from PIL import Image

    shrunk = picture
    while True:
        for quality in (88, 80, 70):
            stream = io.BytesIO()
            shrunk.save(stream, "JPEG", quality=quality, optimize=True, progressive=True)
            if stream.tell() <= limit_bytes or max(shrunk.size) <= 64:
                return stream.getvalue()
        shrunk = shrunk.resize(
            (max(1, shrunk.width * 3 // 4), max(1, shrunk.height * 3 // 4)), Image.Resampling.LANCZOS
        )
