from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from gapscan.report.gap_colours import gap_colours, scale_top_mm
from gapscan.report.labels import place_labels, shorten
from gapscan.report.overlay import LONGEST_PX, overlay_image
from gapscan.report.page import jpeg_bytes
from tests.report.specimens import grid_inspection


@pytest.mark.parametrize("shape", [(600, 900), (3000, 4000), (5000, 900), (500, 5000)])
def test_longer_side_is_bounded_and_the_aspect_kept(board, shape):
    picture = np.full((*shape, 3), 200, dtype=np.uint8)
    found = overlay_image(replace(board, display_bgr=picture, seam_traces=(), piece_traces=()))
    assert max(found.size) <= LONGEST_PX
    scale = found.width / shape[1]
    assert found.height > shape[0] * scale  # the legend comes below


def chroma(rgb):
    """Spread of the channels: 0 for a grey."""
    return np.ptp(np.asarray(rgb, dtype=int), axis=-1)


def test_seen_stretches_carry_the_scale_and_unseen_ones_never_do(board):
    board = replace(board, plan=replace(board.plan, decisions=()))  # no recut tint near the seams
    pixels = np.asarray(overlay_image(board))
    top, _ = scale_top_mm(board)
    scale = gap_colours(np.linspace(0, top, 400), top_mm=top).astype(int)
    traces = {trace.id: trace.px for trace in board.seam_traces}
    unseen_count = 0
    for seam in board.survey.seams:
        seen = seam.seen
        # not where a station of the other kind is next to it
        inner_unseen = ~seen & ~np.r_[seen[1:], False] & ~np.r_[False, seen[:-1]]
        inner_seen = seen & ~np.r_[~seen[1:], True] & ~np.r_[True, ~seen[:-1]]
        columns, rows = np.rint(traces[seam.id]).astype(int).T
        centre = np.clip(rows, 0, pixels.shape[0] - 1), np.clip(columns, 0, pixels.shape[1] - 1)
        found = pixels[centre].astype(int)
        ends = seam.stations.junction_mm < 1.0  # another seam crosses there
        for rgb in found[inner_unseen & ~ends]:
            unseen_count += 1
            assert chroma(rgb) < 25
            assert np.abs(scale - rgb).max(axis=1).min() > 20
        wanted = gap_colours(seam.gap_mm[inner_seen & ~ends], top_mm=top).astype(int)
        assert np.abs(found[inner_seen & ~ends] - wanted).max(initial=0) <= 40
    assert unseen_count > 20


def test_recut_pieces_are_tinted_and_others_not(board):
    pixels = np.asarray(overlay_image(board)).astype(int)
    tint = {}
    for trace in board.piece_traces:
        u, v = np.asarray(trace.outline_px[0]).mean(axis=0) + np.array([-50, -60])
        tint[trace.id] = pixels[int(v), int(u), 0] - pixels[int(v), int(u), 2]
    assert tint["p02"] > 40
    assert max(value for name, value in tint.items() if name not in {"p01", "p02"}) < 20


def test_places_off_the_picture_do_no_harm(board):
    traces = tuple(replace(t, px=np.where(t.px > 400, np.nan, t.px - 300)) for t in board.seam_traces)
    pieces = tuple(replace(t, anchor_px=np.array([np.nan, 1.0])) for t in board.piece_traces)
    found = overlay_image(replace(board, seam_traces=traces, piece_traces=pieces))
    assert found.width == board.display_bgr.shape[1]


def test_hostile_names_can_be_drawn(hostile):
    assert overlay_image(hostile).mode == "RGB"


def test_scale_is_even_in_lightness():
    """CIELAB lightness by hand (IEC 61966-2-1 and CIE 15): rising, in steps alike."""
    rgb = gap_colours(np.linspace(0, 1, 33), top_mm=1.0) / 255.0
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    y = linear @ np.array([0.2126, 0.7152, 0.0722])
    lightness = 116 * np.cbrt(y) - 16
    steps = np.diff(lightness)
    assert steps.min() > 0
    assert steps.max() < 2.0 * steps.mean()
    assert (
        gap_colours(np.array([-1.0, 9.0]), top_mm=1.0).tolist()
        == gap_colours(np.array([0.0, 1.0]), top_mm=1.0).tolist()
    )


def test_scale_holds_the_tolerance_and_says_when_gaps_lie_beyond(board):
    assert scale_top_mm(board) == (pytest.approx(0.2), False)
    wide = grid_inspection()
    wide.survey.seams[0].gap_mm[5] = 3.0
    assert scale_top_mm(wide) == (pytest.approx(0.4), True)


def test_labels_do_not_touch():
    rng = np.random.default_rng(3)
    anchors = [(float(x), float(y)) for x, y in rng.uniform(200, 400, (25, 2))]
    boxes = place_labels(anchors, [(90.0, 20.0)] * 25, bounds=(0, 0, 1000, 800), margin=4.0)
    for k, a in enumerate(boxes):
        assert a[0] >= 0
        assert a[2] <= 1000
        for b in boxes[:k]:
            assert a[0] >= b[2] or b[0] >= a[2] or a[1] >= b[3] or b[1] >= a[3]


def test_lone_label_sits_on_its_anchor():
    boxes = place_labels([(50.0, 50.0)], [(20.0, 10.0)], bounds=(0, 0, 100, 100), margin=1)
    assert boxes == [(40, 45, 60, 55)]


@pytest.mark.parametrize(("text", "short"), [("p07", "p07"), ("a" * 30, "aaaa…aaaaa"), ("x\n\x1by", "x y"), ("", "?")])
def test_shorten(text, short):
    assert shorten(text, 10) == short


def test_jpeg_keeps_its_limit():
    noise = np.random.default_rng(1).integers(0, 255, (1200, 1600, 3), dtype=np.uint8)
    assert len(jpeg_bytes(Image.fromarray(noise), limit_bytes=200_000)) <= 200_000
