"""What the movement of the wood means for the plan, in sentences; no verdict changes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gapscan.job import Job
from gapscan.recut.types import PlanInput, RecutPlan
from gapscan.text import named
from gapscan.wood.movement import wood_movement
from gapscan.wood.types import Movement

FloatArray = NDArray[np.float64]
# "would": at least this likely, which is one standard uncertainty clear of the limit; "may": at least as likely as not.
_WOULD, _MAY = 0.8413, 0.5
_GLUED = (
    "the wood's movement is that of pieces lying free: glued down on a stable ground they are held, and their gaps stay about "
    "as glued (common practice, no source)"
)


@dataclass(frozen=True)
class Outlook:
    """Seams by what they do on the way to the air of use; numbers (S) into the seams, each sorted.

    over       over tolerance as photographed
    would_close, may_close   of those: within tolerance in use, likely (84 % at least) or rather than not
    would_open  within tolerance as photographed, likely to open past it
    would_press  likely to press harder than the plan allows
    """

    over: tuple[int, ...]
    would_close: tuple[int, ...]
    may_close: tuple[int, ...]
    would_open: tuple[int, ...]
    would_press: tuple[int, ...]


def outlook(given: PlanInput, movement: Movement, job: Job) -> Outlook:
    """Judge every seam by its runs of 3 mm: those that were seen and whose movement is known.

    A run's figure in use is the gap as measured plus the movement; normal, with the root sum of squares of both standard
    uncertainties. A seam closes where all of its runs do, and opens or presses where any one does.
    """
    from scipy.stats import norm

    w = given.windows
    count = len(given.seam_ids)
    known = np.isfinite(w.measured_mm) & np.isfinite(movement.run_mm)
    now, at = w.measured_mm[known], w.seam[known]
    then = now + movement.run_mm[known]
    u = np.maximum(np.hypot(w.u_mm[known], movement.u_run_mm[known]), 1e-6)
    within = norm.cdf((job.tolerance_mm - then) / u)
    presses = norm.cdf((-job.press_mm - then) / u)
    over = _any(np.nan_to_num(w.measured_mm, nan=-np.inf) > job.tolerance_mm, w.seam, count)
    # A wide run without a known movement keeps its seam from closing.
    lost = _any((np.nan_to_num(w.measured_mm, nan=-np.inf) > job.tolerance_mm) & ~known, w.seam, count)
    chance = np.full(count, 1.0)
    np.minimum.at(chance, at, within)
    chance[lost] = 0.0
    press = _any(presses >= _WOULD, at, count)
    open_ = ~over & (chance <= 1.0 - _WOULD)
    close = over & (chance >= _MAY)
    return Outlook(
        over=_numbers(over),
        would_close=_numbers(close & (chance >= _WOULD)),
        may_close=_numbers(close & (chance < _WOULD)),
        would_open=_numbers(open_),
        would_press=_numbers(press),
    )


def with_movement(plan: RecutPlan, given: PlanInput, job: Job) -> RecutPlan:
    """The plan with what the wood's movement adds: one line of advice ahead of all others, for waiting costs nothing, and
    notes. Without [air] in the job file the plan as it is."""
    movement = wood_movement(given, job)
    if movement is None:
        return plan
    found = outlook(given, movement, job)
    wait = _wait(plan, given, movement, found, job)
    notes = [*movement.unknown]
    air = f"at {_percent(job)} (wood moisture {_moisture(movement)})"
    tolerance = f"{job.tolerance_mm:.2f} mm"
    if found.would_open:
        notes.append(
            f"of the seams that are within {tolerance} now, {_seams(found.would_open, given, movement)} would open past it {air}"
        )
    if found.would_press:
        notes.append(
            f"{_seams(found.would_press, given, movement)} would press by more than {job.press_mm:.2f} mm {air}: leave room"
        )
    if np.isfinite(movement.seam_mm).any():
        if not (wait or found.would_open or found.would_press):
            notes.append(
                f"movement of the wood {air}: no seam is likely to cross {tolerance} by it; most, "
                f"{_words(movement, int(np.nanargmax(np.abs(movement.seam_mm))))}"
            )
        notes.append(_GLUED)
    return replace(plan, advice=(*([wait] if wait else []), *plan.advice), notes=(*plan.notes, *notes))


def _wait(plan: RecutPlan, given: PlanInput, movement: Movement, found: Outlook, job: Job) -> str:
    closing = [*found.would_close, *found.may_close]
    if not closing:
        return ""
    beside: set[str] = set()
    for s in closing:
        runs = given.windows.seam == s
        beside |= {given.ids[k] for k in (*given.windows.first[runs], *given.windows.second[runs])}
    recut = {d.id for d in plan.decisions if d.verdict == "recut"}
    pieces = sorted(beside & recut) or sorted(beside)
    parts = []
    if found.would_close:
        parts.append(
            f"{len(found.would_close)} would close by {'itself' if len(found.would_close) == 1 else 'themselves'}"
        )
    if found.may_close:
        parts.append(f"{len(found.may_close)} {'more ' if parts else ''}may")
    if len(parts) == 1 and found.may_close:
        parts = [parts[0] + f" close by {'itself' if len(found.may_close) == 1 else 'themselves'}"]
    total = f"the {len(found.over)} seams" if len(found.over) > 1 else "the 1 seam"
    return (
        f"Before any recut, wait: of {total} over {job.tolerance_mm:.2f} mm, {' and '.join(parts)} when the wood is back at "
        f"{_percent(job)} (wood moisture {_moisture(movement)}), as long as it lies free: {_seams(closing, given, movement)}; "
        f"measure {named(pieces)} again then"
    )


def _percent(job: Job) -> str:
    assert job.air is not None
    return f"{job.air.use_rh_percent:g} % humidity"


def _moisture(movement: Movement) -> str:
    a, b = movement.cut, movement.use
    return f"{a.percent:.1f} ± {a.u_percent:.1f} to {b.percent:.1f} ± {b.u_percent:.1f} %"


def _seams(numbers: list[int] | tuple[int, ...], given: PlanInput, movement: Movement) -> str:
    """``a|b (-0.08 ± 0.03 mm), c|d (…) and 3 more``, largest first."""
    order = sorted(numbers, key=lambda s: -abs(float(np.nan_to_num(movement.seam_mm[s]))))
    return named([f"{given.seam_ids[s]} ({_figure(movement, s)})" for s in order])


def _words(movement: Movement, s: int) -> str:
    return f"{movement.seam_ids[s]} ({_figure(movement, s)})"


def _figure(movement: Movement, s: int) -> str:
    return f"{movement.seam_mm[s]:+.3f} ± {movement.u_seam_mm[s]:.3f} mm"


def _any(flags: NDArray[np.bool_], seam: NDArray[np.int64], count: int) -> NDArray[np.bool_]:
    return np.bincount(seam[flags], minlength=count) > 0


def _numbers(flags: NDArray[np.bool_]) -> tuple[int, ...]:
    return tuple(int(s) for s in np.flatnonzero(flags))
