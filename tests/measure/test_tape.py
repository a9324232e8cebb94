"""Strips of tape on maps drawn by hand: rectangles that dim several pieces by one factor, and what only looks so.

The dimming of a translucent strip is one factor on all that glows under it (Beer–Lambert: attenuations multiply), so in
the logarithm it is a constant; the maps here are drawn that way.
"""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import Polygon

from gapscan.measure.tape import find_strips

STEP_MM = 0.25
SIZE_MM = (96.0, 72.0)
SEAM_MM = 0.5  # unknown on each side of a seam
DROP = 0.32  # −ln 0.72


def rectangle(centre, length, width, turn_deg):
    """Corners (4, 2) in mm of a rectangle turned from x towards y."""
    c, s = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [length / 2, width / 2]
    return half @ np.array([[c, s], [-s, c]]) + centre


def grid_mm():
    x, y = np.meshgrid(np.arange(0, SIZE_MM[0], STEP_MM), np.arange(0, SIZE_MM[1], STEP_MM))
    return x, y


def inside(corners):
    x, y = grid_mm()
    a = np.asarray(corners)
    edges = np.roll(a, -1, axis=0) - a
    side = [e[0] * (y - p[1]) - e[1] * (x - p[0]) for p, e in zip(a, edges, strict=True)]
    return np.all(np.array(side) >= 0, axis=0)


def tiles(tile_mm=24.0):
    """Piece numbers from 1 and what is known of them: squares with a margin at every seam."""
    x, y = grid_mm()
    pieces = (1 + np.floor(x / tile_mm) + 10 * np.floor(y / tile_mm)).astype(np.int32)
    known = (np.minimum(x % tile_mm, tile_mm - x % tile_mm) > SEAM_MM) & (
        np.minimum(y % tile_mm, tile_mm - y % tile_mm) > SEAM_MM
    )
    return pieces, known


def grain(pieces, seed=5, strength=0.08):
    """Streaks of log glow in a direction of its own for every piece, and pixel noise."""
    rng = np.random.default_rng(seed)
    x, y = grid_mm()
    log = rng.normal(0, 0.05, x.shape)
    for k in np.unique(pieces):
        turn = rng.uniform(0, np.pi)
        across = -np.sin(turn) * x + np.cos(turn) * y
        streaks = np.interp(across, np.linspace(-150, 200, 500), rng.normal(0, strength, 500))
        log += np.where(pieces == k, streaks, 0.0)
    return log


def strips_on(*tapes, pieces_known=None, level=None):
    pieces, known = pieces_known or tiles()
    log = grain(pieces)
    for corners in tapes:
        log -= DROP * inside(corners)
    if level is not None:
        log += level(pieces)
    return find_strips(np.where(known, log, 0.0), known, pieces, step_mm=STEP_MM)


def likeness(strip, corners):
    """Common area over joint area, within the map."""
    sheet = Polygon([(0, 0), (SIZE_MM[0], 0), SIZE_MM, (0, SIZE_MM[1])])
    a, b = Polygon(strip.corners_mm).intersection(sheet), Polygon(corners).intersection(sheet)
    return a.intersection(b).area / a.union(b).area


def assert_found(strips, *tapes):
    assert len(strips) == len(tapes)
    for corners in tapes:
        assert max(likeness(strip, corners) for strip in strips) > 0.85


def test_bare_grain_holds_no_tape():
    assert strips_on() == []


@pytest.mark.parametrize("turn_deg", [0.0, 7.0, 33.5, 45.0, 90.0, 121.3, 176.0])
def test_one_strip_is_found_at_any_angle(turn_deg):
    tape = rectangle((47.0, 37.0), 56.0, 12.0, turn_deg)
    strips = strips_on(tape)
    assert_found(strips, tape)
    turned = (strips[0].turn_deg - turn_deg + 90) % 180 - 90
    assert abs(turned) < 1.5
    assert strips[0].width_mm == pytest.approx(12.0, abs=0.8)
    assert strips[0].drop == pytest.approx(DROP, abs=0.05)


def test_strips_that_cross_are_both_found():
    tapes = (rectangle((44.0, 36.0), 60.0, 12.0, 20.0), rectangle((52.0, 38.0), 58.0, 12.0, 105.0))
    assert_found(strips_on(*tapes), *tapes)


def test_a_strip_that_runs_off_the_sheet_is_found():
    tape = rectangle((20.0, 30.0), 70.0, 12.0, 25.0)
    assert_found(strips_on(tape), tape)


def test_neighbours_of_very_different_glow_are_no_tape_and_hide_none():
    """Log glow in steps of up to 1.8 (walnut beside holly) at every seam, and the tape's 0.32 on top."""

    def woods(pieces):
        return np.random.default_rng(2).uniform(-0.9, 0.9, 100)[pieces % 100]

    assert strips_on(level=woods) == []
    tape = rectangle((47.0, 37.0), 56.0, 12.0, 60.0)
    assert_found(strips_on(tape, level=woods), tape)


def test_a_dark_band_in_one_piece_is_figure_and_not_tape():
    _, y = grid_mm()
    pieces, known = tiles()
    log = grain(pieces) - DROP * ((pieces == 12) & (np.abs(y - 36.0) < 5.0))
    assert find_strips(np.where(known, log, 0.0), known, pieces, step_mm=STEP_MM) == []


def test_straight_bands_of_grain_in_every_piece_are_not_tape():
    """Ribbon figure: bands 6 mm wide, straight, in another direction in every piece, half as strong as tape."""
    x, y = grid_mm()
    pieces, known = tiles()
    log = grain(pieces)
    for k in np.unique(pieces):
        turn = np.deg2rad(37.0 * k)
        across = -np.sin(turn) * x + np.cos(turn) * y
        log -= np.where((pieces == k) & (across % 12.0 < 6.0), DROP / 2, 0.0)
    assert find_strips(np.where(known, log, 0.0), known, pieces, step_mm=STEP_MM) == []


def test_straight_inlaid_strips_are_pieces_and_not_tape():
    """Stringing 6 mm wide of dark wood through a pale ground: its sides are seams, across which no drop counts."""
    x, y = grid_mm()
    pieces, known = np.ones(x.shape, np.int32), np.ones(x.shape, bool)
    log = grain(pieces)
    for k, centre in enumerate((18.0, 36.0, 54.0)):
        band = np.abs(y - centre) < 3.0
        pieces[band] = 10 + k
        pieces[(y > centre + 3.0)] = 2 + k
        known &= np.abs(np.abs(y - centre) - 3.0) > SEAM_MM
        log -= 0.6 * band
    assert find_strips(np.where(known, log, 0.0), known, pieces, step_mm=STEP_MM) == []


def test_unknown_map_gives_nothing():
    shape = (80, 120)
    nothing = find_strips(np.zeros(shape), np.zeros(shape, bool), np.zeros(shape, np.int32), step_mm=STEP_MM)
    assert nothing == []


def test_what_is_not_known_is_not_looked_at():
    """Rubbish where nothing is known changes no find."""
    tape = rectangle((47.0, 37.0), 56.0, 12.0, 33.5)
    pieces, known = tiles()
    log = grain(pieces) - DROP * inside(tape)
    rubbish = np.random.default_rng(1).normal(0, 5, log.shape)
    clean = find_strips(np.where(known, log, 0.0), known, pieces, step_mm=STEP_MM)
    spoilt = find_strips(np.where(known, log, rubbish), known, pieces, step_mm=STEP_MM)
    assert clean == spoilt


def test_fainter_strip_beside_a_sure_one_is_not_of_the_roll():
    sure, faint = rectangle((30.0, 36.0), 56.0, 12.0, 90.0), rectangle((72.0, 36.0), 56.0, 12.0, 80.0)
    pieces, known = tiles()
    log = grain(pieces) - DROP * inside(sure) - 0.4 * DROP * inside(faint)
    assert_found(find_strips(np.where(known, log, 0.0), known, pieces, step_mm=STEP_MM), sure)


def test_tape_over_one_piece_only_is_left_to_other_evidence():
    """Its sides cannot be told from figure of that piece: no strip is claimed."""
    pieces, known = tiles(48.0)
    tape = rectangle((24.0, 24.0), 30.0, 12.0, 30.0)
    assert strips_on(tape, pieces_known=(pieces, known)) == []
