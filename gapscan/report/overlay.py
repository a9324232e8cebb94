"""overlay.png: the photo with every seam in the colour of its gap."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gapscan.measure.types import SeamGaps
from gapscan.report.gap_colours import gap_colours, scale_top_mm
from gapscan.report.labels import place_labels, shorten
from gapscan.report.legend import draw_legend
from gapscan.report.types import FloatArray, Inspection, PieceTrace

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageDraw import ImageDraw

_Mapping = Callable[[FloatArray], FloatArray]
_Canvas = NDArray[np.uint8]  # (H, W, 3) in R, G, B order, drawn on in place

LONGEST_PX = 2000
_SHADES = 48  # steps of the colour scale that are told apart on the picture
_LEGEND_SHARE = 0.075  # of the longer side
# None of these lies on the colour scale: greys for what was not seen, vermilion (Okabe and Ito) for recuts.
UNSEEN_LIGHT = (245, 245, 245)
UNSEEN_DARK = (120, 120, 120)
RECUT = (255, 110, 48)
_CASING = (0, 0, 0)
_TINT = 0.35
_SUBPIXEL_BITS = 4
_FAR_PX = 1e5  # points farther out are brought in: OpenCV counts in whole sixteenths of a pixel


def overlay_image(inspection: Inspection) -> Image:
    """RGB picture, longer side at most 2000 px: photo above, legend below.

    The photo is greyed and dimmed so that the colours stand out. Seams carry the colour of their gap;
    stretches that were not seen are dashed in grey and white. Pieces to recut are tinted, outlined and named.
    """
    from PIL import Image, ImageDraw

    height, width = inspection.display_bgr.shape[:2]
    legend_px = round(_LEGEND_SHARE * min(LONGEST_PX, max(width, height)))
    scale = min(1.0, LONGEST_PX / width, (LONGEST_PX - legend_px) / height)
    size = max(1, round(width * scale)), max(1, round(height * scale))
    canvas = _dimmed(inspection.display_bgr, size)
    # Integers are pixel centres: pixel u of the photo lies at (u + 0.5) * scale - 0.5 in a scaled picture.
    factor = np.array([size[0] / width, size[1] / height])

    def to_canvas(px: FloatArray) -> FloatArray:
        return np.asarray((px + 0.5) * factor - 0.5, dtype=np.float64)

    line_px = max(2.0, max(size) / 560.0)
    _tint_recuts(canvas, inspection, to_canvas, line_px)
    top_mm, beyond = scale_top_mm(inspection)
    traces = {trace.id: trace.px for trace in inspection.seam_traces}
    for seam in inspection.survey.seams:
        if seam.id in traces:
            _draw_seam(canvas, seam, to_canvas(traces[seam.id]), top_mm, line_px)
    whole = Image.new("RGB", (size[0], size[1] + legend_px), (18, 18, 18))
    whole.paste(Image.fromarray(canvas), (0, 0))
    _draw_labels(ImageDraw.Draw(whole), inspection, to_canvas, size)
    legend = draw_legend(
        (size[0], legend_px), tolerance_mm=inspection.job.tolerance_mm, top_mm=top_mm, beyond=beyond,
        recut_rgb=RECUT, unseen_rgb=(UNSEEN_LIGHT, UNSEEN_DARK),
    )  # fmt: skip
    whole.paste(legend, (0, size[1]))
    return whole


def _dimmed(display_bgr: NDArray[np.uint8], size: tuple[int, int]) -> _Canvas:
    """The photo on a canvas (H, W, 3) of ``size``, in R, G, B order, nearly grey, compressed into the lower half."""
    import cv2

    small = cv2.resize(display_bgr, size, interpolation=cv2.INTER_AREA)
    # One matrix fades towards luma (ITU-R BT.709 weights), dims, and turns B, G, R into R, G, B.
    luma = np.array([0.0722, 0.7152, 0.2126])
    fade = 0.42 * (0.25 * np.eye(3)[::-1] + 0.75 * np.tile(luma, (3, 1)))
    return np.asarray(cv2.transform(small, np.column_stack([fade, np.full(3, 14.0)])), dtype=np.uint8)


def _tint_recuts(canvas: _Canvas, inspection: Inspection, to_canvas: _Mapping, line_px: float) -> None:
    import cv2

    height, width = canvas.shape[:2]
    for trace in _recut_traces(inspection):
        outlines = [to_canvas(ring) for ring in trace.outline_px]
        rings = [_fixed(points) for points in outlines if len(points) >= 3 and np.isfinite(points).all()]
        if not rings:
            continue
        mask = np.zeros((height, width), np.uint8)
        cv2.fillPoly(mask, rings, 255, cv2.LINE_AA, _SUBPIXEL_BITS)
        x, y, w, h = cv2.boundingRect(mask)
        share = _TINT / 255.0 * mask[y : y + h, x : x + w, None].astype(np.float32)
        part = canvas[y : y + h, x : x + w]
        part[:] = np.rint(part + share * (np.array(RECUT, np.float32) - part))
        _lines(canvas, rings, RECUT, 4.2 * line_px, closed=True)


def _draw_seam(canvas: _Canvas, seam: SeamGaps, px: FloatArray, top_mm: float, line_px: float) -> None:
    """Black casing, then each station's share of the line in its colour, then dashes where it was not seen."""
    colours = gap_colours(np.nan_to_num(seam.gap_mm), top_mm=top_mm)
    shades = np.where(seam.seen, np.round(np.nan_to_num(seam.gap_mm) / top_mm * _SHADES), -1)
    finite = np.isfinite(px).all(axis=1)
    runs = []
    for stretch in np.unique(seam.stations.stretch):
        index = np.flatnonzero((seam.stations.stretch == stretch) & finite)
        runs += [run for run in np.split(index, np.flatnonzero(np.diff(index) > 1) + 1) if run.size]
    lines = [_ends(px[run]) for run in runs]
    _lines(canvas, [_fixed(line) for line in lines], _CASING, 2.2 * line_px)
    for run, line in zip(runs, lines, strict=True):
        # Neighbours of one colour are one line: far fewer, and no joints.
        shade = shades[run]
        bounds = np.flatnonzero(np.r_[True, np.diff(shade) != 0, True])
        for first, last in itertools.pairwise(bounds):
            part = line[2 * first : 2 * last + 1]
            if shade[first] >= 0:
                colour = tuple(int(c) for c in colours[run[(first + last - 1) // 2]])
                _lines(canvas, [_fixed(part)], colour, 1.3 * line_px)
            else:
                _dashes(canvas, part, line_px)


def _ends(points: FloatArray) -> FloatArray:
    """(2N + 1, 2): each point between the midpoints to its neighbours; the outer ends reach half a step
    further.
    """
    if len(points) == 1:
        return np.asarray(points + np.array([[-1.0, 0.0], [0.0, 0.0], [1.0, 0.0]]))
    line = np.empty((2 * len(points) + 1, 2))
    line[1::2] = points
    line[2:-1:2] = 0.5 * (points[:-1] + points[1:])
    line[0] = points[0] - 0.5 * (points[1] - points[0])
    line[-1] = points[-1] + 0.5 * (points[-1] - points[-2])
    return line


def _dashes(canvas: _Canvas, points: FloatArray, line_px: float) -> None:
    """Short white and grey dashes, thinner than a measured stretch."""
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))]
    count = max(2, round(along[-1] / (2.2 * line_px)))
    ends = np.linspace(0.0, along[-1], count + 1)
    # Lines end round, half their width farther on; grey begins and ends that much earlier.
    cap_px = min(line_px / 2, ends[1] / 4)
    dashes = []
    for low, high in zip(ends[1:-1:2] + cap_px, ends[2::2] - cap_px, strict=True):
        at = np.r_[low, along[(along > low) & (along < high)], high]
        dashes.append(_fixed(np.stack([np.interp(at, along, points[:, c]) for c in range(2)], axis=1)))
    _lines(canvas, [_fixed(points)], UNSEEN_LIGHT, line_px)
    _lines(canvas, dashes, UNSEEN_DARK, line_px)


def _fixed(points: FloatArray) -> NDArray[np.int32]:
    """Points (N, 2) as OpenCV draws them between the pixels: whole numbers of sixteenths."""
    return np.asarray(np.rint(np.clip(points, -_FAR_PX, _FAR_PX) * 2**_SUBPIXEL_BITS), dtype=np.int32)


def _lines(
    canvas: _Canvas, lines: list[NDArray[np.int32]], rgb: tuple[int, ...], width_px: float, *, closed: bool = False
) -> None:
    """Smooth lines with round ends through points of :func:`_fixed`."""
    import cv2

    # A smooth line of even thickness n comes out n + 1.5 pixels wide (measured), one of n + 1 no wider.
    thickness = max(1, 2 * round((width_px - 1.5) / 2))
    cv2.polylines(canvas, lines, closed, rgb, thickness, cv2.LINE_AA, _SUBPIXEL_BITS)


def _draw_labels(draw: ImageDraw, inspection: Inspection, to_canvas: _Mapping, size: tuple[int, int]) -> None:
    """Name and change of every piece to recut, on a dark plate, with a leader when it had to move aside."""
    from PIL import ImageFont

    traces = _recut_traces(inspection)
    changes = {d.id: d.offset_change_mm for d in inspection.plan.decisions}
    anchors = [to_canvas(np.asarray(trace.anchor_px, dtype=np.float64)) for trace in traces]
    kept = [k for k, anchor in enumerate(anchors) if np.isfinite(anchor).all()]
    font_px = max(9, round(max(size) / 75))
    font = ImageFont.load_default(font_px)
    pad = 0.3 * font_px
    texts = [f"{shorten(traces[k].id, 18)}  {changes[traces[k].id]:+.3f}" for k in kept]
    boxes = [draw.textbbox((0, 0), text, font=font) for text in texts]
    places = place_labels(
        [(float(anchors[k][0]), float(anchors[k][1])) for k in kept],
        [(box[2] - box[0] + 2 * pad, box[3] - box[1] + 2 * pad) for box in boxes],
        bounds=(pad, pad, size[0] - pad, size[1] - pad),
        margin=0.3 * font_px,
    )
    for k, place in zip(kept, places, strict=True):
        x, y = anchors[k]
        if not (place[0] <= x <= place[2] and place[1] <= y <= place[3]):
            centre = (place[0] + place[2]) / 2, (place[1] + place[3]) / 2
            draw.line([(float(x), float(y)), centre], fill=RECUT, width=max(1, round(font_px / 10)))
    for text, box, place in zip(texts, boxes, places, strict=True):
        border = max(1, round(font_px / 12))
        draw.rounded_rectangle(place, radius=pad, fill=(0, 0, 0), outline=RECUT, width=border)
        corner = place[0] + pad - box[0], place[1] + pad - box[1]
        draw.text(corner, text, font=font, fill=(255, 255, 255))


def _recut_traces(inspection: Inspection) -> list[PieceTrace]:
    recut = {decision.id for decision in inspection.plan.decisions if decision.verdict == "recut"}
    return [trace for trace in inspection.piece_traces if trace.id in recut]
