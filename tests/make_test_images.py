"""Makes the folders under test_images/: small simulated photos with drawing, frame, job file and truth.

    python -m tests.make_test_images [NAME ...]

Every figure is drawn from seeds given here, so the same files come out again (JPEG to the bit only with the same
Pillow). ``overlay-example``, the README's picture, comes from ``gapscan demo``.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

import numpy as np

from gapscan.job import Facing
from gapscan.photo.frame import frame_svg
from gapscan.photo.layout import frame_layout
from gapscan.simulate import designs
from gapscan.simulate.develop import DevelopSettings
from gapscan.simulate.drawing import Drawing
from gapscan.simulate.optics import CameraSettings
from gapscan.simulate.scene import SceneSettings, photograph
from gapscan.simulate.scene_files import write_scene
from gapscan.simulate.shop import ShopSettings, cut_and_tape

FOLDER = Path(__file__).parents[1] / "test_images"
OVERLAY = "overlay-example"
OVERLAY_WIDTH_PX = 1400

_MATERIALS = ("maple", "walnut", "pear", "holly", "cherry", "ash")


@dataclass(frozen=True)
class ImageSpec:
    """One folder of test_images. Pieces go by their number in the design, sorted by id.

    undersize_mm  by piece: cut too small by this much more than the others (these are to be recut)
    shift         by piece: pushed aside by (x mm, y mm, turn deg)
    """

    name: str
    draw: Callable[[], Drawing]
    opening_mm: tuple[float, float]
    seed: int
    scene: SceneSettings
    undersize_mm: dict[int, float] = field(default_factory=dict)
    shift: dict[int, tuple[float, float, float]] = field(default_factory=dict)
    alternate: bool = False


def _scene(
    *,
    view: Literal["front", "back"] = "front",
    angle_deg: float = 0.0,
    tilt_deg: float = 2.0,
    roll_deg: float = 0.0,
    equivalent_mm: float = 77.0,
) -> SceneSettings:
    """1600 x 1200 pixels, the frame filling the picture."""
    camera = CameraSettings(
        width_px=1600,
        height_px=1200,
        equivalent_mm=equivalent_mm,
        px_per_mm=22.0,
        tilt_deg=tilt_deg,
        azimuth_deg=40.0,
        roll_deg=roll_deg,
        k1=-0.004,
    )
    return SceneSettings(
        camera=camera,
        develop=DevelopSettings(blur_sigma_px=0.9, quality=90),
        view=view,
        angle_deg=angle_deg,
        offset_mm=(0.4, -0.3),
        fill=True,
    )


SPECS = (
    ImageSpec(
        name="cells-front",
        draw=lambda: designs.cells(51, count=14, width_mm=100, height_mm=70),
        opening_mm=(112, 82),
        seed=1,
        scene=_scene(angle_deg=0.6, roll_deg=1.0),
        undersize_mm={5: 0.13, 10: 0.15},
    ),
    ImageSpec(
        name="inlays-back-alternating",
        draw=lambda: designs.inlays(52, count=8, width_mm=100, height_mm=70),
        opening_mm=(112, 82),
        seed=2,
        scene=_scene(view="back", roll_deg=-1.0),
        undersize_mm={2: 0.14},
        alternate=True,
    ),
    ImageSpec(
        name="strips-shifted",
        draw=lambda: designs.strips(53, count=6, width_mm=100, height_mm=70),
        opening_mm=(112, 82),
        seed=3,
        scene=_scene(tilt_deg=3.0, equivalent_mm=80.0),
        shift={3: (0.05, 0.06, 0.0)},
    ),
    ImageSpec(
        name="rosette-frame-upside-down",
        draw=lambda: designs.rosette(54, diameter_mm=84, sectors=(6, 8)),
        opening_mm=(96, 96),
        seed=4,
        scene=replace(_scene(angle_deg=63.0), frame_mirrored=True),
        undersize_mm={4: 0.14, 11: 0.13},
    ),
    ImageSpec(
        name="cells-tape",
        draw=lambda: designs.cells(55, count=10, width_mm=100, height_mm=70),
        opening_mm=(112, 82),
        seed=5,
        scene=replace(_scene(roll_deg=180.5), tape_count=2, tape_width_mm=10.0),
        undersize_mm={6: 0.14},
        alternate=True,
    ),
    ImageSpec(
        name="cells-small-16-bit",
        draw=lambda: designs.cells(56, count=7, width_mm=50, height_mm=50),
        opening_mm=(60, 60),
        seed=6,
        scene=replace(
            _scene(equivalent_mm=250.0),
            camera=CameraSettings(width_px=760, height_px=760, equivalent_mm=200.0, px_per_mm=22.0, tilt_deg=1.0),
            # sensor of 12 bits kept in 16, little noise: a grey picture of a macro lens
            develop=DevelopSettings(blur_sigma_px=0.8, file_type="png16", shot_noise=4e-6, read_noise=0.0004),
        ),
        undersize_mm={2: 0.13},
    ),
)


def make(spec: ImageSpec, folder: Path) -> None:
    """Write design.svg, frame.svg, job.toml, the photo and truth.json into ``folder``."""
    drawing = spec.draw()
    design = drawing.design()
    ids = [piece.id for piece in design.pieces]
    facing: dict[str, Facing] = dict.fromkeys(ids[1::2], "down") if spec.alternate else {}
    rng = np.random.default_rng([spec.seed, 7])
    shop = ShopSettings(
        undersize_mm={ids[k]: v for k, v in spec.undersize_mm.items()},
        shift={ids[k]: v for k, v in spec.shift.items()},
        facing=facing,
        material={name: _MATERIALS[int(rng.integers(len(_MATERIALS)))] for name in ids},
    )
    fit = cut_and_tape(design, shop, rng)
    photo = photograph(fit, frame_layout(*spec.opening_mm).card, (0.0, 0.0), spec.scene, rng)
    (path,) = write_scene(folder, fit=fit, photos=[photo])
    if spec.scene.develop.file_type == "png16":
        _as_grey(path)
    lines = [
        f'view = "{spec.scene.view}"',
        "[sheet]",
        f"thickness_mm = {shop.thickness_mm}",
        "[cut]",
        f"taper_deg = {shop.taper_deg}",
    ]
    for name in ids:
        lines += [f'[pieces."{name}"]', f'facing = "{facing.get(name, "up")}"', f'material = "{shop.material[name]}"']
    texts = {"design.svg": drawing.svg, "frame.svg": frame_svg(*spec.opening_mm), "job.toml": "\n".join(lines) + "\n"}
    for file, text in texts.items():
        (folder / file).write_text(text, encoding="utf-8", newline="\n")


def _as_grey(path: Path) -> None:
    """A colour PNG of 16 bits to a grey one with the upper 12 bits of its luma (ITU-R BT.601)."""
    import cv2

    colour = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    grey = colour.astype(float) @ (0.114, 0.587, 0.299)
    steps = np.round(grey / 16).clip(0, 4095).astype(np.uint16)
    # All ones stay all ones, so that clipped light shows as clipped.
    cv2.imwrite(str(path), steps * 16 + (steps >> 8), [cv2.IMWRITE_PNG_COMPRESSION, 9])


def make_overlay(path: Path) -> None:
    """overlay.png of ``gapscan demo``, smaller and with a palette."""
    from PIL import Image

    with tempfile.TemporaryDirectory() as folder:
        demo = Path(folder) / "demo"
        environment = {**os.environ, "PYTHONPATH": str(FOLDER.parent)}
        subprocess.run([sys.executable, "-m", "gapscan", "demo", "-q", str(demo)], check=True, env=environment)
        with Image.open(demo / "result" / "overlay.png") as full:
            height = round(full.height * OVERLAY_WIDTH_PX / full.width)
            small = full.convert("RGB").resize((OVERLAY_WIDTH_PX, height), Image.Resampling.LANCZOS)
    # An octree keeps the few pixels of the colour scale; a median cut would give nearly all colours to the greys.
    small.quantize(256, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE).save(path, optimize=True)


def main() -> None:
    """Make the folders named on the command line, all by default."""
    wanted = sys.argv[1:] or [*(spec.name for spec in SPECS), OVERLAY]
    unknown = set(wanted) - {*(spec.name for spec in SPECS), OVERLAY}
    if unknown:
        sys.exit(f"no such test image: {', '.join(sorted(unknown))}")
    for spec in SPECS:
        if spec.name in wanted:
            make(spec, FOLDER / spec.name)
    if OVERLAY in wanted:
        make_overlay(FOLDER / f"{OVERLAY}.png")


if __name__ == "__main__":
    main()
