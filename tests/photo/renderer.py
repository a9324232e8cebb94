"""A small rasteriser for frames, of its own: OpenCV fills the rings at three times the resolution."""

from __future__ import annotations

import cv2
import numpy as np

from gapscan.photo.layout import FrameLayout
from gapscan.photo.types import Photo

SIZE = (1600, 1200)
FINE = 3


class View:
    """A camera over the frame, projecting with cv2.projectPoints."""

    def __init__(self, layout, *, focal_px, roll_deg=0.0, tilt_deg=3.0, azimuth_deg=30.0, fill=0.93, k1=0.0):
        turn = np.deg2rad(azimuth_deg)
        lean = cv2.Rodrigues(np.deg2rad(tilt_deg) * np.array([np.cos(turn), np.sin(turn), 0.0]))[0]
        roll = cv2.Rodrigues(np.array([0.0, 0.0, np.deg2rad(roll_deg)]))[0]
        self.rotation = roll @ lean
        width, height = layout.outer_mm
        c, s = abs(np.cos(np.deg2rad(roll_deg))), abs(np.sin(np.deg2rad(roll_deg)))
        box = np.array([c * width + s * height, s * width + c * height])
        self.distance_mm = focal_px / (fill * float((np.array(SIZE) / box).min()))
        self.matrix = np.array([[focal_px, 0, (SIZE[0] - 1) / 2], [0, focal_px, (SIZE[1] - 1) / 2], [0, 0, 1.0]])
        self.k1 = k1
        self.shift = np.array([0.0, 0.0, self.distance_mm])

    @property
    def place_mm(self) -> np.ndarray:
        eye = -self.rotation.T @ self.shift
        return np.array([eye[0], eye[1], -eye[2]])

    def pixels(self, xy: np.ndarray, height_mm: float = 0.0) -> np.ndarray:
        xyz = np.column_stack([xy, np.full(len(xy), -height_mm)]).astype(float)
        distortion = np.array([self.k1, 0.0, 0.0, 0.0])
        found, _ = cv2.projectPoints(xyz, cv2.Rodrigues(self.rotation)[0], self.shift, self.matrix, distortion)
        return found[:, 0]

    def px_per_mm(self, xy: np.ndarray) -> np.ndarray:
        """Root of the area magnification, by finite differences."""
        right = self.pixels(xy + (0.5, 0)) - self.pixels(xy - (0.5, 0))
        down = self.pixels(xy + (0, 0.5)) - self.pixels(xy - (0, 0.5))
        return np.sqrt(np.abs(right[:, 0] * down[:, 1] - right[:, 1] * down[:, 0]))


def photo_of(
    layout: FrameLayout,
    view: View,
    *,
    turned_over: bool = False,
    kerf_mm: float = 0.0,
    covered: list[np.ndarray] | None = None,
    focal_px: tuple[float, ...] = (),
    blur_px: float = 1.0,
    seed: int = 0,
) -> Photo:
    """The frame cut with this kerf, half a millimetre thick card, photographed; ``covered``: opaque quads (4, 2) on it."""
    card = layout.card.buffer(-kerf_mm / 2, join_style="mitre") if kerf_mm else layout.card
    mirror = (-1.0, 1.0) if turned_over else (1.0, 1.0)
    picture = np.full((SIZE[1] * FINE, SIZE[0] * FINE), 255, np.uint8)

    def ring(points: np.ndarray, height_mm: float) -> np.ndarray:
        xy = np.asarray(points) * mirror
        sides = zip(xy, np.roll(xy, -1, axis=0), strict=True)
        dense = [np.linspace(a, b, max(2, int(np.hypot(*(b - a)) / 2) + 1))[:-1] for a, b in sides]
        uv = view.pixels(np.vstack(dense), height_mm)
        return np.round(((uv + 0.5) * FINE - 0.5) * 256).astype(np.int32)

    rings = [card.exterior, *card.interiors]
    cv2.fillPoly(picture, [ring(np.asarray(r.coords)[:-1], 0.3) for r in rings], 12, cv2.LINE_8, 8)
    for quad in covered or []:
        cv2.fillPoly(picture, [ring(quad, 0.3)], 20, cv2.LINE_8, 8)
    light = cv2.resize(picture, SIZE, interpolation=cv2.INTER_AREA).astype(np.float32) / 255 * 0.9
    light = cv2.GaussianBlur(light, (0, 0), blur_px)
    light += np.random.default_rng(seed).normal(0, 0.006, light.shape).astype(np.float32)
    shown = np.repeat((np.clip(light, 0, 1) * 255).astype(np.uint8)[..., None], 3, axis=2)
    return Photo("frame.jpg", light, light > 2, shown, focal_px)


def quad(centre: np.ndarray, half_mm: float) -> np.ndarray:
    return np.asarray(centre) + half_mm * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
