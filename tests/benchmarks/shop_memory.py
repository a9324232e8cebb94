"""The shop's memory: does a new design start better with what earlier jobs told of the losses?

    python -m tests.benchmarks.shop_memory [--shops N]

Simulated shops, each with losses of its own by material, machine settings, size of piece and bends, a drift from job to
job and a repeat error from piece to piece. Three jobs are cut as drawn; their pieces are entered in the notebook with
reading errors of a few µm, some of them in common. Then a new design is cut twice with the same luck, as drawn and with
the suggested offsets, and its true gaps are judged: how many pieces have to be cut again, by the fewest that will do.
Exit status 1 when a limit is missed.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from gapscan.design.types import Design
from gapscan.job import Job, parse_job
from gapscan.notebook.book import add_entries, read_book
from gapscan.notebook.entries import outline_digest
from gapscan.notebook.starting import Start, starting_offsets
from gapscan.notebook.types import JobRecord, PieceRecord
from gapscan.recut.offset import offset_outline
from gapscan.simulate import designs
from gapscan.simulate.second_round import Care, cut_again_and_tape
from gapscan.simulate.shop import DryFit, ShopSettings, cut_and_tape
from gapscan.solve.model import outline_bend
from tests.benchmarks.exact_minimum import exact_minimum, question

SHOPS, QUICK_SHOPS = 24, 3
LIMIT_RATIO = 0.25
TOLERANCE_MM, AIM_MM, PRESS_MM, SEAT_MM = 0.10, 0.03, 0.02, 0.02
_MATERIALS = ("maple", "walnut", "pear", "holly")
_KINDS = ("cells", "rosette", "inlays", "strips")
_READING_MM, _COMMON_MM, _BEND_READING_MM = 0.004, 0.003, 0.008
_RESAMPLES = 4000


@dataclass(frozen=True)
class Shop:
    """What a shop loses, hidden from the notebook. base_mm goes by setting of the laser's power."""

    seed: int
    base_mm: dict[float, float]
    material_mm: dict[str, float]
    small_mm: float
    curve_mm: float
    drift_mm: float
    repeat_mm: float


@dataclass(frozen=True)
class Outcome:
    """One shop's new design: pieces, pieces to recut as drawn and with the suggestion; of how many pieces the true loss
    lay within the stated 95 % interval; pieces left as drawn."""

    shop: int
    kind: str
    pieces: int
    plain: int
    suggested: int
    covered: int
    left: int
    error_mm: float


def hidden_shop(seed: int) -> Shop:
    """A shop of 0.04 to 0.09 mm loss and effects of the size that thin veneer shows."""
    rng = np.random.default_rng([seed, 90])
    base = float(rng.uniform(0.04, 0.09))
    return Shop(
        seed=seed,
        base_mm={60.0: base, 80.0: base + float(rng.normal(0.0, 0.015))},
        material_mm={name: float(rng.normal(0.0, 0.012)) for name in _MATERIALS},
        small_mm=float(rng.uniform(0.0, 0.02)),
        curve_mm=float(rng.uniform(0.0, 0.03)),
        drift_mm=float(rng.uniform(0.001, 0.005)),
        repeat_mm=float(rng.uniform(0.003, 0.006)),
    )


def draw(kind: str, seed: int) -> Design:
    """A drawing of 9 to 24 pieces."""
    if kind == "cells":
        return designs.cells(seed, count=16, width_mm=110.0, height_mm=80.0).design()
    if kind == "inlays":
        return designs.inlays(seed, count=12, width_mm=120.0, height_mm=80.0).design()
    return designs.DESIGNS[kind](seed).design()


def settings(design: Design, power: float, seed: int) -> Job:
    """The job file's content: materials by lot, faces as they come."""
    rng = np.random.default_rng([seed, 91])
    pieces = {}
    for piece in design.pieces:
        material = str(rng.choice(_MATERIALS))
        facing = "up" if rng.uniform() < 0.7 else "down"
        pieces[piece.id] = {"material": material, "facing": facing}
    return parse_job(
        {
            "tolerance_mm": TOLERANCE_MM, "aim_mm": AIM_MM, "press_mm": PRESS_MM,
            "cut": {"power": power, "speed": 12}, "pieces": pieces,
        },
        source="benchmark",
    )  # fmt: skip


def cut(shop: Shop, design: Design, job: Job, luck: int) -> DryFit:
    """Cut and tape a job in this shop; the same luck gives the same drift, repeat errors and seats."""
    rng = np.random.default_rng([shop.seed, 92, luck])
    power = dict(job.cut_settings)["power"]
    assert isinstance(power, float)
    told = {piece.id: job.settings(piece.id) for piece in design.pieces}
    made = ShopSettings(
        thickness_mm=job.thickness_mm,
        taper_deg=job.taper_deg,
        base_loss_mm=shop.base_mm[power] + shop.drift_mm * float(rng.normal()),
        loss_spread_mm=shop.repeat_mm,
        material_loss_mm=shop.material_mm,
        small_piece_loss_mm=shop.small_mm,
        curve_loss_mm=shop.curve_mm,
        facing={name: one.facing for name, one in told.items()},
        material={name: one.material for name, one in told.items()},
        pose_spread_mm=0.004,
        turn_spread_mm=0.003,
    )
    return cut_and_tape(design, made, rng)


def cut_as_suggested(plain: DryFit, start: Start, seed: int) -> DryFit | None:
    """The same pieces with the same luck, grown before the cut; tips that a beam leaves too long are trimmed with a knife.

    None where they cannot lie flat.
    """
    outlines = {
        piece.piece: offset_outline(plain.design.piece(piece.piece).polygon, piece.offset_mm)
        for piece in start.pieces
        if piece.offset_mm != 0.0
    }
    care = Care(press_mm=PRESS_MM, repeat_mm=0.0, pose_spread_mm=0.004, turn_spread_mm=0.003)
    try:
        return cut_again_and_tape(plain, outlines, np.random.default_rng([seed, 94]), care=care)
    except ValueError:
        return None


def noted(shop: Shop, design: Design, job: Job, fit: DryFit, number: int) -> JobRecord:
    """What an inspection of this dry fit would enter, with its reading errors."""
    rng = np.random.default_rng([shop.seed, 93, number])
    common = _COMMON_MM * float(rng.normal())
    bend = shop.curve_mm + _BEND_READING_MM * float(rng.normal())
    pieces = []
    for piece in design.pieces:
        one, laid = job.settings(piece.id), fit.piece(piece.id)
        read = laid.undersize_mm + common + _READING_MM * float(rng.normal())
        pieces.append(
            PieceRecord(
                piece=piece.id, material=one.material, facing=one.facing, offset_mm=one.offset_mm,
                loss_mm=read + one.offset_mm, u_mm=float(np.hypot(_READING_MM, _COMMON_MM)), u_common_mm=_COMMON_MM,
                bend_mm=bend, u_bend_mm=_BEND_READING_MM, seen_fraction=1.0,
                area_mm2=float(piece.polygon.area), perimeter_mm=float(piece.polygon.length),
                curvature=outline_bend(piece.polygon), outline=outline_digest(piece.polygon),
            )
        )  # fmt: skip
    mark = f"{shop.seed:032x}{number:032x}"
    return JobRecord(
        design=f"job-{number}", folder=f"/jobs/{number}", date="2025-01-01", sha256=mark, measured_sha256=mark,
        thickness_mm=job.thickness_mm, taper_deg=job.taper_deg, settings=job.cut_settings, pieces=tuple(pieces),
    )  # fmt: skip


def recuts(fit: DryFit) -> int:
    """The fewest pieces to cut again by the true gaps; all of them where the fit cannot be mended."""
    asked = question(fit, tolerance_mm=TOLERANCE_MM, press_mm=PRESS_MM, seat_mm=SEAT_MM)
    count = exact_minimum(asked).count
    return len(fit.pieces) if count is None else count


def run(seed: int, book: Path) -> Outcome:
    """One shop: three jobs noted, a fourth cut both ways."""
    shop = hidden_shop(seed)
    powers = (60.0, 80.0, 60.0)
    for number in range(3):
        design = draw(_KINDS[(seed + number) % 4], 1000 * seed + number)
        job = settings(design, powers[number], 100 * seed + number)
        add_entries(book, [noted(shop, design, job, cut(shop, design, job, number), number)])
    kind = _KINDS[(seed + 3) % 4]
    design = draw(kind, 1000 * seed + 9)
    power = 60.0 if seed % 2 else 80.0
    job = settings(design, power, 100 * seed + 9)
    start = starting_offsets(design, job, read_book(book))
    plain = cut(shop, design, job, 9)
    better = cut_as_suggested(plain, start, seed)
    covered, error = _covered(start, plain)
    return Outcome(
        seed, kind, len(design.pieces), recuts(plain), len(plain.pieces) if better is None else recuts(better), covered,
        sum(piece.left for piece in start.pieces), error,
    )  # fmt: skip


def _covered(start: Start, plain: DryFit) -> tuple[int, float]:
    error = np.array([plain.piece(p.piece).undersize_mm - p.loss_mm for p in start.pieces])
    u = np.array([p.u_loss_mm for p in start.pieces])
    return int((np.abs(error) <= 1.96 * u).sum()), float(np.sqrt((error**2).mean()))


def ratio_interval(outcomes: Sequence[Outcome]) -> tuple[float, float, float]:
    """Pieces to recut with the suggestion by those without, and its 95 % interval: bootstrap over whole shops."""
    plain, suggested = (np.array([getattr(o, name) for o in outcomes], float) for name in ("plain", "suggested"))
    pick = np.random.default_rng(0).integers(0, len(plain), (_RESAMPLES, len(plain)))
    ratios = suggested[pick].sum(axis=1) / np.maximum(plain[pick].sum(axis=1), 1.0)
    low, high = np.quantile(ratios, [0.025, 0.975])
    return float(suggested.sum() / max(plain.sum(), 1.0)), float(low), float(high)


def outcomes_of(count: int) -> list[Outcome]:
    """The first so many shops."""
    found = []
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(1, count + 1):
            found.append(run(seed, Path(folder) / f"{seed}.sqlite"))
    return found


def report(outcomes: Sequence[Outcome]) -> int:
    """Print the table; 1 when the limit is missed."""
    print(f"{'shop':>4}  {'new design':<10} {'pieces':>6}  {'recut as drawn':>14}  {'with suggestion':>15}  error, µm")
    for o in outcomes:
        print(
            f"{o.shop:>4}  {o.kind:<10} {o.pieces:>6}  {o.plain:>14}  {o.suggested:>15}  {1000 * o.error_mm:9.1f}"
            f"  ({o.left} left as drawn)"
        )
    pieces = sum(o.pieces for o in outcomes)
    plain, suggested = sum(o.plain for o in outcomes), sum(o.suggested for o in outcomes)
    ratio, low, high = ratio_interval(outcomes)
    print(f"pieces to recut: {plain / pieces:.1%} as drawn, {suggested / pieces:.1%} with the suggested offsets")
    print(f"ratio {ratio:.3f}, 95 % interval {low:.3f} to {high:.3f} (bootstrap over shops); limit {LIMIT_RATIO}")
    print(
        f"true loss within the stated 95 % interval: {sum(o.covered for o in outcomes) / pieces:.1%} of {pieces} pieces"
    )
    return int(ratio > LIMIT_RATIO)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--shops", type=int, default=SHOPS)
    return report(outcomes_of(parser.parse_args(arguments).shops))


if __name__ == "__main__":
    sys.exit(main())
