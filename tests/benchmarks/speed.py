"""How long the whole command takes against the floor that no program of this kind can go below, and its memory.

    python -m tests.benchmarks.speed [--runs N] [--large]

Twelve megapixels and sixty pieces. Every run is a fresh process, runs of command and floor take turns, and medians are
compared, so that other work on the machine slows both alike. The floor is measured in the same way: interpreter and the
imports that the command needs, decoding of the JPEG, one perspective warp and one Gaussian blur of the full picture.
``--large`` adds one run on 48 megapixels for its peak memory. Exit status 1 when a limit is missed.

This process imports nothing heavy: on Linux a child's peak memory counts from that of its parent.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

RATIO_LIMIT = 3.0
MEMORY_LIMIT_MB = 2048.0
_RUNS = 3

_FLOOR = """
import sys
import click, cv2, jinja2, numpy, PIL.Image, rich.console, rich.table, shapely.geometry, shapely.ops
import scipy.fft, scipy.ndimage, scipy.optimize, scipy.spatial, scipy.special
picture = cv2.imread(sys.argv[1])
height, width = picture.shape[:2]
turn = numpy.array([[1.0, 0.01, -9.0], [-0.01, 1.0, 7.0], [1e-6, -1e-6, 1.0]])
cv2.GaussianBlur(cv2.warpPerspective(picture, turn, (width, height), flags=cv2.INTER_LINEAR), (0, 0), 1.5)
"""


def make_job(folder: Path) -> None:
    """Write design, frame, job, and photos of 12 and 48 megapixels (the larger is the smaller one enlarged)."""
    import numpy as np
    from PIL import Image

    from gapscan.design.read import read_design
    from gapscan.photo.frame import frame_svg
    from gapscan.photo.layout import frame_layout
    from gapscan.simulate.designs import cells
    from gapscan.simulate.optics import CameraSettings
    from gapscan.simulate.scene import SceneSettings, photograph
    from gapscan.simulate.shop import ShopSettings, cut_and_tape

    opening = (192.0, 138.0)
    (folder / "design.svg").write_text(cells(7, count=60, width_mm=180.0, height_mm=126.0).svg, encoding="utf-8")
    (folder / "frame.svg").write_text(frame_svg(*opening), encoding="utf-8")
    design = read_design(folder / "design.svg")
    names = [piece.id for piece in design.pieces]
    rng = np.random.default_rng(7)
    fit = cut_and_tape(design, ShopSettings(undersize_mm={names[9]: 0.13, names[40]: 0.12}), rng)
    scene = SceneSettings(
        camera=CameraSettings(
            width_px=4000, height_px=3000, equivalent_mm=77.0, px_per_mm=22.0, tilt_deg=2.0, azimuth_deg=30.0
        ),
        fill=True,
        angle_deg=0.5,
    )
    (folder / "job.toml").write_text('view = "front"\n', encoding="utf-8")
    (folder / "photo12.jpg").write_bytes(
        photograph(fit, frame_layout(*opening).card, (0.0, 0.0), scene, rng).file_bytes()
    )
    with Image.open(folder / "photo12.jpg") as photo:
        large = photo.resize((8000, 6000), Image.Resampling.BICUBIC)
        large.save(folder / "photo48.jpg", quality=93, exif=photo.getexif())


def timed(arguments: list[str], folder: Path) -> tuple[float, float]:
    """Wall time [s] and peak memory [MB] of one fresh process. Raises RuntimeError when it fails."""
    started = time.perf_counter()
    child = subprocess.Popen(arguments, cwd=folder, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode != 0:
        raise RuntimeError(f"{' '.join(arguments[:4])} ended with {child.returncode}")
    return time.perf_counter() - started, usage.ru_maxrss / 1024


def command(photo: str) -> list[str]:
    """The whole command on one photo."""
    files = ["design.svg", photo, "--frame", "frame.svg", "--job", "job.toml", "--out", f"out-{photo}"]
    return [sys.executable, "-m", "gapscan", "inspect", *files]


def main() -> int:
    """Measure and print."""
    runs = int(sys.argv[sys.argv.index("--runs") + 1]) if "--runs" in sys.argv else _RUNS
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        making = [sys.executable, "-c", "import sys, pathlib; from tests.benchmarks.speed import make_job; "]
        making[-1] += "make_job(pathlib.Path(sys.argv[1]))"
        subprocess.run([*making, name], check=True)
        floor = [sys.executable, "-c", _FLOOR, "photo12.jpg"]
        timed(floor, folder)  # files and libraries into the system's cache
        pairs = [(timed(floor, folder)[0], *timed(command("photo12.jpg"), folder)) for _ in range(runs)]
        floor_s, whole_s = (statistics.median(pair[k] for pair in pairs) for k in (0, 1))
        ratio = whole_s / floor_s
        print(f"12 megapixels, 60 pieces, medians of {runs} fresh processes on {os.cpu_count()} cores")
        print(f"  floor    {floor_s:6.2f} s   (" + ", ".join(f"{pair[0]:.2f}" for pair in pairs) + ")")
        print(f"  command  {whole_s:6.2f} s   (" + ", ".join(f"{pair[1]:.2f}" for pair in pairs) + ")")
        print(f"  ratio    {ratio:6.2f}     limit {RATIO_LIMIT:g}")
        print(f"  peak     {max(pair[2] for pair in pairs):6.0f} MB")
        missed = ratio > RATIO_LIMIT
        if "--large" in sys.argv:
            seconds, peak = timed(command("photo48.jpg"), folder)
            print(f"48 megapixels: {seconds:.2f} s, peak {peak:.0f} MB, limit {MEMORY_LIMIT_MB:.0f} MB")
            missed |= peak > MEMORY_LIMIT_MB
    return int(missed)


if __name__ == "__main__":
    raise SystemExit(main())
