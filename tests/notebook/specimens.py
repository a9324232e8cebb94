"""Hand-made entries of the notebook."""

from __future__ import annotations

import numpy as np

from gapscan.notebook.types import JobRecord, PieceRecord

MATERIALS = ("walnut", "maple", "pear")


def piece(name: str, **other: object) -> PieceRecord:
    """A piece of 30 by 20 mm that lost 0.06 mm."""
    given: dict[str, object] = {
        "piece": name, "material": "walnut", "facing": "up", "offset_mm": 0.0, "loss_mm": 0.06, "u_mm": 0.004,
        "u_common_mm": 0.002, "bend_mm": None, "u_bend_mm": None, "seen_fraction": 0.9, "area_mm2": 600.0,
        "perimeter_mm": 100.0, "curvature": 0.0, "outline": f"outline-{name}",
    }  # fmt: skip
    return PieceRecord(**{**given, **other})  # type: ignore[arg-type]


def record(number: int, pieces: tuple[PieceRecord, ...] | None = None, **other: object) -> JobRecord:
    """An entry with marks of its own."""
    mark = f"{number:064x}"
    given: dict[str, object] = {
        "design": f"lid-{number}", "folder": f"/jobs/{number}", "date": "2025-03-01", "sha256": mark,
        "measured_sha256": mark, "thickness_mm": 0.6, "taper_deg": 2.0, "settings": (("power", 60.0), ("speed", 12.0)),
        "pieces": pieces or tuple(piece(f"p{k}", outline=f"{number}-{k}") for k in range(4)),
    }  # fmt: skip
    return JobRecord(**{**given, **other})  # type: ignore[arg-type]


def shop_records(
    jobs: int, *, seed: int = 1, materials: dict[str, float] | None = None, count: int = 12, job_mm: float = 0.003,
    repeat_mm: float = 0.004, base_mm: float = 0.06, reading_mm: float = 0.004,
    shapes: tuple[dict[str, float], ...] = ({},),
) -> tuple[tuple[int, JobRecord], ...]:  # fmt: skip
    """Entries of a shop with known losses by material."""
    rng = np.random.default_rng(seed)
    materials = materials or dict.fromkeys(MATERIALS, 0.0)
    found = []
    for number in range(1, jobs + 1):
        drift = job_mm * rng.normal()
        pieces = []
        for k in range(count):
            wood = list(materials)[k % len(materials)]
            loss = base_mm + materials[wood] + drift + float(np.hypot(repeat_mm, reading_mm)) * rng.normal()
            shape = shapes[k % len(shapes)]
            figures = {"loss_mm": float(loss), "u_mm": reading_mm, "u_common_mm": 0.0}
            pieces.append(piece(f"p{k}", material=wood, outline=f"{number}-{k}", **figures, **shape))
        found.append((number, record(number, tuple(pieces))))
    return tuple(found)
