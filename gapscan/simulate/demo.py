"""The demonstration: our own box lid, a job file, a shop with a few known faults, and photos of the fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gapscan.job import Facing
from gapscan.simulate.designs import picture
from gapscan.simulate.develop import DevelopSettings
from gapscan.simulate.drawing import Drawing
from gapscan.simulate.optics import CameraSettings
from gapscan.simulate.picture import MATERIALS, material_of
from gapscan.simulate.scene import Card, SceneSettings, SimulatedPhoto, photograph
from gapscan.simulate.shop import DryFit, ShopSettings, cut_and_tape

# cut too small by this much more than the others
TOO_SMALL_MM = {"bird-wing": 0.13, "sun": 0.11, "hill-2": 0.12, "reed-04": 0.10}
SHIFTED = {"mace-1": (0.09, 0.03, 0.0)}
DOWN = ("border-",)  # laid face down on the laser bed
OFFSET_MM = 0.08

_GRAIN_DEG = (
    ("border-left", 90.0),
    ("border-right", 90.0),
    ("border", 0.0),
    ("sky", 2.0),
    ("water", 0.0),
    ("glint", 0.0),
    ("hill", -12.0),
    ("reed", 86.0),
    ("mace", 88.0),
    ("bank", 8.0),
    ("bird-wing", -28.0),
    ("bird-tail", -40.0),
    ("bird-body", -25.0),
    ("bird-neck", 70.0),
    ("bird-leg", 85.0),
    ("bird-bill", 12.0),
    ("sun", 45.0),
)

# roll_deg and look_at_mm of the photos
_VIEWS = ((1.5, (0.0, 0.0)), (181.0, (0.0, 0.0)), (-1.0, (4.0, 3.0)), (179.5, (4.0, -3.0)))


@dataclass(frozen=True)
class DemoScenario:
    """Everything the demonstration writes or measures.

    drawing      the box lid; ``drawing.svg`` is the design file's text
    job_toml     the job file's text
    opening_mm   opening of the scale frame to lay round it
    fit          the taped fit with its truth
    scenes       one setting a photo
    recut, shifted  ids of the pieces that were cut too small, and of those merely shifted
    """

    drawing: Drawing
    job_toml: str
    opening_mm: tuple[float, float]
    fit: DryFit
    scenes: tuple[SceneSettings, ...]
    recut: tuple[str, ...]
    shifted: tuple[str, ...]


def demo_scenario(rng: np.random.Generator, *, equivalent_mm: float = 77.0, photo_count: int = 1) -> DemoScenario:
    """The demonstration's design, job, fit and camera settings; the scale frame's card is not needed yet.

    equivalent_mm  35 mm-equivalent focal length; a longer lens stands farther off and sees into more seams
    photo_count    1 to 4: after the first, the sheet is turned half round or moved under the camera
    """
    drawing = picture()
    design = drawing.design()
    ids = [piece.id for piece in design.pieces]
    facing: dict[str, Facing] = {name: "down" for name in ids if name.startswith(DOWN)}
    shop = ShopSettings(
        undersize_mm=TOO_SMALL_MM,
        shift=SHIFTED,
        facing=facing,
        material={name: material_of(name) for name in ids},
        grain_deg={name: _grain(name, rng) for name in ids},
        ragged_rms_mm=0.003,
    )
    fit = cut_and_tape(design, shop, rng)
    width, height = drawing.size_mm
    return DemoScenario(
        drawing=drawing,
        job_toml=_job_toml(),
        opening_mm=(width + 12.0, height + 12.0),
        fit=fit,
        scenes=tuple(_scene(k, equivalent_mm) for k in range(photo_count)),
        recut=tuple(sorted(TOO_SMALL_MM)),
        shifted=tuple(sorted(SHIFTED)),
    )


def demo_photos(
    scenario: DemoScenario, card: Card, opening_centre: tuple[float, float], rng: np.random.Generator
) -> tuple[SimulatedPhoto, ...]:
    """Photograph the demonstration's fit inside a frame: card in its drawing's mm, centre of its opening."""
    return tuple(photograph(scenario.fit, card, opening_centre, scene, rng) for scene in scenario.scenes)


def _scene(number: int, equivalent_mm: float) -> SceneSettings:
    """The first photo straight; the others with frame and sheet turned or moved together under the camera."""
    roll_deg, look_at = _VIEWS[number]
    return SceneSettings(
        camera=CameraSettings(
            width_px=4032,
            height_px=3024,
            equivalent_mm=equivalent_mm,
            px_per_mm=22.0,
            tilt_deg=3.0,
            azimuth_deg=35.0 + 70.0 * number,
            roll_deg=roll_deg,
            look_at_mm=look_at,
            k1=-0.006,
        ),
        develop=DevelopSettings(blur_sigma_px=1.05, sharpen=0.25, quality=93),
        angle_deg=0.4,
        offset_mm=(0.6, -0.4),
        fill=True,
        dust_count=12,
    )


def _grain(piece_id: str, rng: np.random.Generator) -> float:
    """Grain direction as a maker would choose it, give or take a few degrees."""
    wanted = next((deg for prefix, deg in _GRAIN_DEG if piece_id.startswith(prefix)), 0.0)
    return wanted + float(rng.normal(0.0, 4.0))


def _job_toml() -> str:
    """The job file that goes with the box lid."""
    lines = [
        "# Box lid with a wading bird: how it was cut, and what is accepted.",
        "tolerance_mm = 0.10",
        "aim_mm = 0.03",
        "press_mm = 0.02",
        'recut_facing = "any"',
        'view = "front"',
        "",
        "[sheet]",
        "thickness_mm = 0.6",
        "",
        "[cut]",
        "taper_deg = 2.0",
        "",
        '[pieces."*"]',
        'facing = "up"',
        f"offset_mm = {OFFSET_MM:.2f}",
        "",
    ]
    for prefix in DOWN:
        lines += [f'[pieces."{prefix}*"]', 'facing = "down"', ""]
    # the first prefix that fits gives the material, but in a job file the last pattern wins: turn the
    # order round
    for prefix, material in reversed(MATERIALS):
        lines += [f'[pieces."{prefix}*"]', f'material = "{material}"', ""]
    return "\n".join(lines)
