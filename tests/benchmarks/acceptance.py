"""The acceptance jobs through the whole program: error of every seam's mean gap, and every verdict.

    python -m tests.benchmarks.acceptance [NAME ...]

Simulated photos (gapscan.simulate, whose optics the measuring code does not share), 12 megapixels each.
"""

from __future__ import annotations

import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np


@dataclass(frozen=True)
class Outcome:
    """One job: errors of the seams' mean gaps [mm], 2u coverage, and the verdicts that were wrong."""

    name: str
    pieces: int
    px_per_mm: float
    errors_mm: np.ndarray
    inside_2u: np.ndarray
    seen: float
    size_rms_mm: float
    wrong: tuple[str, ...]
    unsure: tuple[str, ...]
    seconds: float


def run_job(number: int) -> Outcome:
    """Simulate, photograph, inspect and compare one acceptance job."""
    from gapscan.design.read import read_design
    from gapscan.job import read_job
    from gapscan.photo.layout import frame_layout
    from gapscan.photo.load import read_photo
    from gapscan.pipeline import inspect_photos
    from gapscan.report.summary import summarise_seam
    from gapscan.simulate.jobs import acceptance_jobs, build_job, photograph_job

    spec = acceptance_jobs()[number]
    drawing, fit = build_job(spec)
    layout = frame_layout(*spec.opening_mm)
    (photo,) = photograph_job(spec, fit, layout.card, (0.0, 0.0))
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        (here / "design.svg").write_text(drawing.svg, encoding="utf-8")
        (here / "job.toml").write_text(spec.job_toml(), encoding="utf-8")
        (here / "photo.jpg").write_bytes(photo.file_bytes())
        started = time.perf_counter()
        design = read_design(here / "design.svg")
        found = inspect_photos(design, [read_photo(here / "photo.jpg")], layout, read_job(here / "job.toml"))
        seconds = time.perf_counter() - started
    errors, inside = [], []
    for seam in found.survey.seams:
        truth = np.maximum(fit.gaps(seam.pieces, seam.stations.xy_mm, seam.stations.normal), 0.0)
        both = seam.seen & np.isfinite(truth)
        if both.sum() < 8:  # less than 2 mm seen: no mean worth the name
            continue
        error = float((seam.gap_mm - truth)[both].mean())
        u = summarise_seam(seam).standard_uncertainty_mm
        errors.append(error)
        inside.append(u is not None and abs(error) <= 2 * u)
    wrong, unsure = [], []
    for decision in found.plan.decisions:
        wanted = "recut" if decision.id in spec.recut else "keep"
        if decision.verdict == "unsure":
            unsure.append(decision.id)
        if decision.verdict != wanted and not (decision.verdict == "unsure" and wanted == "keep"):
            wrong.append(f"{decision.id}: {decision.verdict} {decision.offset_change_mm:+.3f}, wanted {wanted}")
    sizes = np.array([p.undersize_mm - fit.piece(p.id).undersize_mm for p in found.fit.pieces if p.seen_fraction > 0.2])
    return Outcome(
        name=spec.name,
        pieces=len(design.pieces),
        px_per_mm=found.photos[0].px_per_mm,
        errors_mm=np.array(errors),
        inside_2u=np.array(inside),
        seen=float(np.mean(np.concatenate([s.seen for s in found.survey.seams]))),
        size_rms_mm=float(np.sqrt(np.mean(sizes**2))),
        wrong=tuple(wrong),
        unsure=tuple(unsure),
        seconds=seconds,
    )


def main() -> None:
    """Run the jobs named on the command line (all by default) and print the table."""
    from gapscan.simulate.jobs import acceptance_jobs

    names = [spec.name for spec in acceptance_jobs()]
    wanted = [k for k, name in enumerate(names) if len(sys.argv) < 2 or any(a in name for a in sys.argv[1:])]
    print(
        f"{'job':<14}{'pieces':>7}{'px/mm':>7}{'seen':>6}{'seams':>7}{'RMS µm':>8}{'bias µm':>9}{'≤2u':>6}{'size µm':>9}"
        f"{'s':>6}  verdicts"
    )
    everything = []
    with ProcessPoolExecutor(max_workers=2) as pool:
        for one in pool.map(run_job, wanted):
            everything.append(one)
            e = one.errors_mm * 1000
            print(
                f"{one.name:<14}{one.pieces:>7}{one.px_per_mm:>7.1f}{one.seen:>6.0%}{len(e):>7}"
                f"{np.sqrt(np.mean(e**2)):>8.2f}{e.mean():>+9.2f}{one.inside_2u.mean():>6.0%}{one.size_rms_mm * 1000:>9.1f}"
                f"{one.seconds:>6.1f}  {'; '.join(one.wrong) or 'right'}{f' ({len(one.unsure)} unsure)' if one.unsure else ''}",
                flush=True,
            )
    e = np.concatenate([one.errors_mm for one in everything]) * 1000
    print(
        f"all {len(everything)} jobs, {len(e)} seams: RMS {np.sqrt(np.mean(e**2)):.2f} µm, bias {e.mean():+.2f} µm, "
        f"within 2u {np.mean(np.concatenate([o.inside_2u for o in everything])):.1%}, "
        f"jobs with every verdict right {sum(not o.wrong for o in everything)} of {len(everything)}"
    )


if __name__ == "__main__":
    main()
