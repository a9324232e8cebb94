"""A simulated scene as files: the photo, the drawing, and truth.json."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from gapscan.simulate.scene import SimulatedPhoto
from gapscan.simulate.shop import DryFit


def truth_table(fit: DryFit, photos: Sequence[tuple[str, SimulatedPhoto]]) -> dict[str, Any]:
    """Everything that is true about a dry fit and its photos (file name, photo), as plain data. Units mm
    and deg."""
    return {
        "units": "mm, deg",
        "photos": [_photo(name, photo) for name, photo in photos],
        "pieces": [
            {
                "id": piece.id,
                "undersize_mm": _round(piece.undersize_mm),
                "shift_mm": [_round(v) for v in piece.shift_mm],
                "turn_deg": _round(piece.turn_deg),
                "facing": piece.facing,
                "material": piece.material,
            }
            for piece in fit.pieces
        ],
        "seams": [
            {
                "id": seam.id,
                "pieces": list(seam.pieces),
                "mean_gap_mm": _round(seam.mean_mm),
                "samples": {
                    "s_mm": [_round(v) for v in seam.stations.s_mm],
                    "x_mm": [_round(v) for v in seam.stations.xy_mm[:, 0]],
                    "y_mm": [_round(v) for v in seam.stations.xy_mm[:, 1]],
                    "gap_mm": [_round(v) for v in seam.gap_mm],
                },
            }
            for seam in fit.seams
        ],
        "faults": {
            "undersize_mm": dict(sorted(fit.settings.undersize_mm.items())),
            "shift": {name: list(move) for name, move in sorted(fit.settings.shift.items())},
        },
    }


def write_scene(folder: Path, *, fit: DryFit, photos: Sequence[SimulatedPhoto], stem: str = "photo") -> list[Path]:
    """Write the photos (stem.jpg, or stem-1.jpg ... when there are several) and truth.json into ``folder``.

    Returns the photos' paths. Raises OSError when the folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    names = []
    for number, photo in enumerate(photos, 1):
        suffix = "jpg" if photo.settings.develop.file_type == "jpeg" else "png"
        name = f"{stem}.{suffix}" if len(photos) == 1 else f"{stem}-{number}.{suffix}"
        (folder / name).write_bytes(photo.file_bytes())
        names.append(name)
    truth = truth_table(fit, list(zip(names, photos, strict=True)))
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return [folder / name for name in names]


def _photo(name: str, photo: SimulatedPhoto) -> dict[str, Any]:
    x, y, height = (float(v) for v in photo.camera.place_mm)
    return {
        "file": name,
        "view": photo.settings.view,
        "px_per_mm": _round(photo.px_per_mm),
        "focal_px": _round(photo.camera.focal_px),
        "k1": photo.camera.k1,
        "camera_place_mm": [_round(x), _round(y)],
        "camera_height_mm": _round(height),
        "mirrored": photo.mirrored,
        "angle_deg": photo.settings.angle_deg,
        "shift_mm": [_round(float(v)) for v in photo.shift_mm],
        "frame_mirrored": photo.settings.frame_mirrored,
        "tapes_mm": [np.round(np.asarray(t.exterior.coords), 3).tolist() for t in photo.tapes_design],
    }


def _round(value: float) -> float | None:
    """Five digits (0.01 µm); a missing value becomes null."""
    return round(float(value), 5) if np.isfinite(value) else None
