"""The blur found from slits against the edge response of the same picture, and slits seen through real optics.

The pictures are drawn by scipy on a fine grid and added up over the pixels; the edge response is worked out as
ISO 12233 describes it for a slanted edge (edge fitted through the line spread's centroids row by row, edge spread
function in bins of a quarter pixel, transfer function of its derivative). Closed forms for a Gaussian blur of σ:
MTF50 = √(ln 2 / 2) / (π σ), rise from 10 to 90 % = 2.5631 σ. The pixel's own width adds 1/12 px² to σ².
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from gapscan.measure.blur import estimate_blur
from gapscan.measure.line_spread import shape_effect
from gapscan.measure.profiles import sample_profiles
from gapscan.measure.stations import PlacedStations
from gapscan.measure.width import fit_slits
from gapscan.photo.edge_spread import EdgeSpread
from gapscan.photo.types import Photo

from .specimens import square_on, straight_line

SIZE = (110, 480)
FINE = 8
PX_PER_MM = 16.0
SLANT = np.deg2rad(5.0)  # ISO 12233's slant of the edge
DARK, BARE = 0.05, 0.9
EDGE_PX, SLIT_PX = 85.0, 35.0  # where they cross the middle row
EDGE_FROM_PX = 62
QUARTER, REACH_PX = 0.25, 16.0


def slit_width(row_px: np.ndarray) -> np.ndarray:
    """Width of the wedge-shaped slit [px] at a height over the middle row."""
    return 2.4 + 3.0 * row_px / SIZE[1]


def picture(sigma_px: float) -> np.ndarray:
    """(H, W) linear light: a slanted slit and a slanted edge, blurred, integrated over the pixels, a little noisy."""
    x, y = ((np.arange(n * FINE) + 0.5) / FINE - 0.5 for n in SIZE)
    y = y[:, None] - (SIZE[1] - 1) / 2
    edge, slit = ((x - at) * np.cos(SLANT) + y * np.sin(SLANT) for at in (EDGE_PX, SLIT_PX))
    open_ = np.maximum(edge, slit_width(y) / 2 - np.abs(slit)) * FINE + 0.5
    light = (DARK + (BARE - DARK) * np.clip(open_, 0, 1)).astype(np.float32)
    light = gaussian_filter(light, sigma_px * FINE, mode="nearest", truncate=5.0)
    light = light.reshape(SIZE[1], FINE, SIZE[0], FINE).mean(axis=(1, 3))
    return (light + np.random.default_rng(1).normal(0, 0.002, light.shape)).astype(np.float32)


def edge_spread(light: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distances [px] and edge spread function of the slanted edge in the right part of the picture (ISO 12233)."""
    part = light[:, EDGE_FROM_PX:].astype(float)
    spread = np.diff(part, axis=1)
    between = EDGE_FROM_PX + 0.5 + np.arange(spread.shape[1])
    rows = np.arange(len(part))
    at = np.full(len(part), EDGE_PX)
    slope = 0.0
    for reach in (30.0, 12.0, 12.0):
        window = np.abs(between - at[:, None]) < reach
        centroid = (spread * window * between).sum(axis=1) / (spread * window).sum(axis=1)
        slope, start = np.polyfit(rows, centroid, 1)
        at = start + slope * rows
    assert np.arctan(-slope) == pytest.approx(SLANT, abs=1e-3)
    distance = (EDGE_FROM_PX + np.arange(part.shape[1]) - at[:, None]) * np.cos(np.arctan(slope))
    bins = np.floor((distance + REACH_PX) / QUARTER).astype(int)
    count = int(2 * REACH_PX / QUARTER)
    good = (bins >= 0) & (bins < count)
    mean = np.bincount(bins[good], part[good], count) / np.bincount(bins[good], minlength=count)
    return (np.arange(count) + 0.5) * QUARTER - REACH_PX, mean


def mtf50(spread: np.ndarray) -> float:
    """Cycles per pixel at which the contrast has fallen to half."""
    transfer = np.abs(np.fft.rfft(np.diff(spread), 8192))
    frequency = np.fft.rfftfreq(8192, QUARTER)
    # What binning and the difference of neighbours take away is put back, as in the standard.
    transfer = transfer / transfer[0] / np.sinc(np.minimum(frequency * QUARTER, 0.5)) ** 2
    k = int(np.argmax(transfer < 0.5))
    return float(np.interp(0.5, transfer[[k, k - 1]], frequency[[k, k - 1]]))


def rise(distance: np.ndarray, spread: np.ndarray) -> float:
    """Distance over which the edge rises from 10 to 90 %, the width of a bin taken out."""
    dark, bright = spread[:16].mean(), spread[-16:].mean()
    near = np.abs(distance) < 8
    share = np.maximum.accumulate((spread[near] - dark) / (bright - dark))
    low, high = np.interp([0.1, 0.9], share, distance[near])
    return float(np.sqrt((high - low) ** 2 - 2.5631**2 * QUARTER**2 / 12))


def slit_blur(light: np.ndarray) -> float:
    """Sigma [px] by our own way: profiles across the slit, sampled from the picture, and the blur that fits them best."""
    v = np.arange(20.0, SIZE[1] - 20, 4.0)
    row = v - (SIZE[1] - 1) / 2
    u = SLIT_PX - row * np.tan(SLANT) - (SIZE[0] - 1) / 2
    n, no = len(v), np.zeros(len(v), bool)
    along = np.zeros(n, np.int64)
    stations = PlacedStations(
        xy_mm=np.column_stack([u, row]) / PX_PER_MM,
        normal=np.tile([np.cos(SLANT), np.sin(SLANT)], (n, 1)),
        line=along,
        stretch=along,
        junction_mm=np.full(n, 5.0),
        scale_px_mm=np.full(n, PX_PER_MM),
        left_small=no,
        right_small=no,
        room_mm=np.full(n, 2.0),
        inside=~no,
    )
    photo = Photo("slit.png", light, light > 2, np.zeros((*light.shape, 3), np.uint8), ())
    offsets = np.arange(-20, 21) / PX_PER_MM
    reference = square_on(SIZE, PX_PER_MM, (SIZE[0] / PX_PER_MM, SIZE[1] / PX_PER_MM))
    profile = sample_profiles(photo, reference, stations, offsets, np.zeros(n), height_mm=0.0, rows=3)
    width = slit_width(row) / PX_PER_MM
    return estimate_blur(offsets, profile, stations, np.full(n, BARE), width, 1 / PX_PER_MM).sigma_px


@pytest.mark.parametrize("sigma_px", [0.7, 1.0, 1.5, 2.5])
def test_blur_of_the_slits_is_that_of_the_slanted_edge(sigma_px):
    light = picture(sigma_px)
    distance, spread = edge_spread(light)
    by_half_contrast = np.sqrt(np.log(2) / 2) / (np.pi * mtf50(spread))
    by_rise = rise(distance, spread) / 2.5631
    truth = np.hypot(sigma_px, np.sqrt(1 / 12))
    assert by_half_contrast == pytest.approx(truth, rel=0.015)  # the edge analysis itself
    assert by_rise == pytest.approx(truth, rel=0.015)
    ours = slit_blur(light)
    assert ours == pytest.approx(by_half_contrast, rel=0.03)
    assert ours == pytest.approx(by_rise, rel=0.03)


OPTICS_FINE, OPTICS_PX, PIXEL_UM, WAVELENGTH_UM = 12, 64, 1.2, 0.55


def point_spread(f_number: float, defocus_waves: float) -> np.ndarray:
    """Point spread of a round pupil with defocus (W020, in waves), by prysm's propagation; unit sum, OPTICS_FINE a pixel."""
    coordinates = pytest.importorskip("prysm.coordinates")
    from prysm.geometry import circle
    from prysm.polynomials import hopkins
    from prysm.propagation import Wavefront

    diameter_mm = 10.0
    x, y = coordinates.make_xy_grid(128, diameter=diameter_mm)
    r, t = coordinates.cart_to_polar(x, y)
    phase_nm = hopkins(0, 2, 0, 2 * r / diameter_mm, t, 1) * defocus_waves * WAVELENGTH_UM * 1e3
    pupil = Wavefront.from_amp_and_phase(circle(diameter_mm / 2, r), phase_nm, WAVELENGTH_UM, x[0, 1] - x[0, 0])
    samples = OPTICS_FINE * OPTICS_PX
    focus = pupil.focus_fixed_sampling(efl=diameter_mm * f_number, dx=PIXEL_UM / OPTICS_FINE, samples=samples)
    spread = np.asarray(focus.intensity.data)
    return spread / spread.sum()


def seen_slits(spread: np.ndarray, widths_px: np.ndarray, phases_px: np.ndarray) -> np.ndarray:
    """(W, P, OPTICS_PX) share of bare light in a row of pixels across long slits, convolved by prysm."""
    from prysm.convolution import conv

    n = len(spread)
    x = (np.arange(n) - n // 2) / OPTICS_FINE
    rows = []
    for width in widths_px:
        inside = np.clip((width / 2 - np.abs(x)) * OPTICS_FINE + 0.5, 0, 1)
        across = conv(np.tile(inside, (n, 1)), spread)[n // 2]
        for phase in phases_px:
            moved = np.roll(across, round(phase * OPTICS_FINE))
            rows.append(moved.reshape(OPTICS_PX, OPTICS_FINE).mean(axis=1))
    return np.reshape(rows, (len(widths_px), len(phases_px), OPTICS_PX))


@pytest.mark.parametrize(
    ("f_number", "defocus_waves", "least"),
    [(2.0, 0.0, 0.92), (4.0, 0.0, 0.88), (2.0, 0.8, 0.94), (2.8, 1.0, 0.97)],
    ids=["sharp f/2", "sharp f/4", "out of focus f/2", "far out of focus f/2.8"],
)
def test_slits_through_a_diffracting_lens(f_number, defocus_waves, least):
    """The model's blur is Gaussian; a lens spreads some light wider, which then counts as the wood's. Never too wide,
    and too narrow by no more than that share (least); the place holds."""
    widths, phases = np.arange(4, 49, 8) / OPTICS_FINE, np.arange(0, OPTICS_FINE, 3) / OPTICS_FINE
    seen = seen_slits(point_spread(f_number, defocus_waves), widths, phases)
    # Sample 0 is the middle of the first OPTICS_FINE fine ones.
    x = np.arange(OPTICS_PX) - OPTICS_PX / 2 + (OPTICS_FINE - 1) / 2 / OPTICS_FINE
    near = np.abs(x) < 14
    x, profile = x[near], (0.06 + 0.84 * seen[..., near]).reshape(len(widths) * len(phases), -1)
    width, place = np.repeat(widths, len(phases)), np.tile(phases, len(widths))
    n = len(profile)
    bare, stations = np.full(n, 0.9), straight_line(n, PX_PER_MM)
    blur = estimate_blur(x / PX_PER_MM, profile, stations, bare, width / PX_PER_MM, 1 / PX_PER_MM)
    half = 0.22 * PX_PER_MM + 3.5 * blur.sigma_px + width / 2
    weight = np.clip(half[:, None] - np.abs(x) + 0.5, 0, 1)
    sigma = np.full(n, blur.sigma_px)
    found = fit_slits(x, profile, weight, bare=bare, sigma=sigma, centre=np.zeros(n))
    ratio = (found.width / width).reshape(len(widths), len(phases)).mean(axis=1)
    assert least < ratio.min()
    assert ratio.max() < 1.005
    np.testing.assert_allclose(found.centre, place, atol=0.06)
    # The same lens draws the frame's edges; what they show takes most of the error off.
    effect = shape_effect([edge_seen(point_spread(f_number, defocus_waves))], blur.sigma_px, 0.22 * PX_PER_MM)
    excess, u, _ = effect.at(found.width / blur.sigma_px)
    better = (found.width / (1 + excess) / width).reshape(len(widths), len(phases)).mean(axis=1)
    assert np.abs(better - 1).max() < 0.4 * np.abs(ratio - 1).max() + 0.003
    assert np.all(np.abs(better - 1) < 2 * u.reshape(len(widths), -1).mean(axis=1) + 0.003)


def edge_seen(spread: np.ndarray) -> EdgeSpread:
    """A long straight edge through this lens, integrated over the pixels, in bins of a quarter pixel."""
    line = spread.sum(axis=0)
    rise = np.cumsum(line) - line / 2  # at the middle of each fine sample
    pixel = np.convolve(rise, np.ones(OPTICS_FINE) / OPTICS_FINE, "same")
    x = (np.arange(len(line)) - len(line) // 2) / OPTICS_FINE
    at = np.r_[np.arange(-22.5, -9, 3.0), np.arange(-8.875, 9, QUARTER)]
    light = DARK + (BARE - DARK) * np.interp(at, x, pixel)
    return EdgeSpread(at, light, light, np.full(len(at), 400.0))
