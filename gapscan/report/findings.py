"""What a person must know, in the order in which it is needed; the terminal list and the page both show it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gapscan.measure.check_slots import CheckSlot, mean_off
from gapscan.recut.types import Cause
from gapscan.report.summary import WidestGap, unseen_lengths, widest_gap, widest_gaps
from gapscan.report.types import Inspection, PhotoRecord
from gapscan.solve.types import PieceState

NOT_SEEN = "not seen"
_UNKNOWN = "unknown"


@dataclass(frozen=True)
class RecutLine:
    """One piece to cut again. Texts carry their units and uncertainty."""

    id: str
    change: str
    new_offset: str
    cause: str
    widest: str
    facing: str
    material: str


@dataclass(frozen=True)
class ReseatLine:
    """One piece that is the right size but sits badly: where to move it, on the drawing."""

    id: str
    move: str
    widest: str


@dataclass(frozen=True)
class UnsureLine:
    """One piece that cannot be decided; ``settle`` says which photo would, empty where that is not known."""

    id: str
    cause: str
    seen: str
    widest: str
    settle: str


@dataclass(frozen=True)
class Findings:
    """The lists of one inspection, ready to be shown.

    widest       every piece's widest gap in words, by its id
    unseen       (reason, length) of seam stretches that were not seen, longest first
    dark_seams   ids of seams of which nothing was seen
    cautions     what limits these findings: warnings of the survey and the photos, notes of the plan and the
                 drawing
    checks       how the frame's check slots came out, a line a photo
    apart        seams about which photos disagree, and by how much, largest first
    """

    headline: str
    recuts: tuple[RecutLine, ...]
    reseats: tuple[ReseatLine, ...]
    unsure: tuple[UnsureLine, ...]
    kept: int
    widest: dict[str, str]
    seen: str
    unseen: tuple[tuple[str, str], ...]
    dark_seams: tuple[str, ...]
    blocking_seams: tuple[str, ...]
    feasible: bool
    cautions: tuple[str, ...]
    checks: tuple[str, ...]
    apart: tuple[str, ...]
    advice: tuple[str, ...]
    outlook: str


def find(inspection: Inspection) -> Findings:
    """Sort the decisions into lists: largest change first, longest move first, least seen first."""
    plan, job = inspection.plan, inspection.job
    states = {state.id: state for state in inspection.fit.pieces}
    recuts, reseats, unsure, kept = [], [], [], 0
    gaps, widest_by_piece = widest_gaps(inspection.survey), {}
    strengths = {cause.id: cause for cause in plan.piece_causes}
    for decision in sorted(plan.decisions, key=lambda d: d.id):
        state = states.get(decision.id)
        widest = widest_words(
            decision.id, decision.widest_gap_mm, widest_gap(gaps, decision.id, near_mm=decision.widest_gap_mm)
        )
        widest_by_piece[decision.id] = widest
        if decision.verdict == "recut":
            settings = job.settings(decision.id)
            change = decision.offset_change_mm
            line = RecutLine(
                id=decision.id,
                change=change_words(change, decision.standard_uncertainty_mm),
                new_offset=f"{settings.offset_mm + change:+.3f} mm",
                cause=_cause_words(decision.cause, strengths.get(decision.id)),
                widest=widest,
                facing=settings.facing,
                material=settings.material,
            )
            recuts.append((-abs(change), line))
        elif decision.verdict == "unsure":
            share = math.nan if state is None else state.seen_fraction
            seen = f"{share:.0%} of its edge seen" if share > 0.005 else NOT_SEEN
            unsure.append(
                (share if share > 0 else 0.0, UnsureLine(decision.id, decision.cause, seen, widest, decision.settle))
            )
        else:
            kept += 1
            if decision.reseat_mm is not None:
                line_move = move_words(decision.reseat_mm, state)
                reseats.append((-math.hypot(*decision.reseat_mm), ReseatLine(decision.id, line_move, widest)))
    seen_mm, total_mm = _seen_length_mm(inspection)
    share = seen_mm / total_mm if total_mm > 0 else 0.0
    seen = f"{share:.0%} of {total_mm:.0f} mm of seams seen"
    return Findings(
        headline=_headline(len(recuts), len(reseats), len(unsure), len(plan.decisions), seen),
        recuts=tuple(line for _, line in sorted(recuts, key=lambda pair: pair[0])),
        reseats=tuple(line for _, line in sorted(reseats, key=lambda pair: pair[0])),
        unsure=tuple(line for _, line in sorted(unsure, key=lambda pair: pair[0])),
        kept=kept,
        widest=widest_by_piece,
        seen=seen,
        unseen=tuple((why, f"{length:.0f} mm") for why, length in unseen_lengths(inspection.survey.seams).items()),
        dark_seams=_dark_seams(inspection),
        blocking_seams=tuple(sorted(plan.blocking_seams)),
        feasible=plan.feasible,
        cautions=_cautions(inspection),
        checks=tuple(_check_words(photo) for photo in inspection.photos if photo.check),
        apart=_apart(inspection),
        advice=plan.advice,
        outlook=_outlook(inspection, len(recuts)),
    )


def _cause_words(cause: str, known: Cause | None) -> str:
    """``cut too small (98 % likely)``, where the evidence was weighed."""
    if known is None or known.cause != cause:
        return cause
    return f"{cause} ({min(known.strength, 0.99):.0%} likely)"


def _outlook(inspection: Inspection, recuts: int) -> str:
    """What the plan promises, and what it saves against adjusting every outline beside a wide seam."""
    plan = inspection.plan
    tolerance = f"{inspection.job.tolerance_mm:.2f} mm"
    if not plan.feasible:
        return ""
    chance = f"{min(plan.chance, 0.99):.0%}" if plan.chance < 0.995 else "over 99%"
    after = "after the recut" if recuts else "as it is, pieces seated as drawn"
    words = f"Every seam within {tolerance} {after}: {chance} likely, by the measurement's uncertainty."
    if plan.adjust_all > recuts:
        words += f" Adjusting every outline beside a wide seam would have meant {plan.adjust_all} recuts."
    return words


def with_uncertainty(value: float | None, u: float | None, unit: str = "mm", *, digits: int = 3) -> str:
    """``0.085 ± 0.008 mm``; in words when the figure or its uncertainty is missing.

    A digit is added where the uncertainty would otherwise round to nothing.
    """
    if value is None or not math.isfinite(value):
        return NOT_SEEN
    if u is not None and 0.0 < u < 0.95 * 10.0**-digits:
        digits += 1
    spread = _UNKNOWN if u is None or not math.isfinite(u) else f"{u:.{digits}f}"
    return f"{value:.{digits}f} ± {spread} {unit}".rstrip()


def change_words(change_mm: float, u_mm: float) -> str:
    """``grow by 0.085 ± 0.008 mm`` or ``shrink by …``."""
    return f"{'grow' if change_mm >= 0 else 'shrink'} by {with_uncertainty(abs(change_mm), u_mm)}"


def widest_words(piece_id: str, gap_mm: float | None, widest: WidestGap | None) -> str:
    """The widest gap of a piece with its uncertainty and the neighbour across it."""
    if gap_mm is None or not math.isfinite(gap_mm):
        return NOT_SEEN
    if widest is None:
        return with_uncertainty(gap_mm, None)
    return f"{with_uncertainty(gap_mm, widest.u_gap_mm, digits=2)} to {widest.neighbour(piece_id)}"


def move_words(move_mm: tuple[float, float], state: PieceState | None) -> str:
    """``0.12 ± 0.01 mm right, 0.05 ± 0.01 mm up`` on the drawing; a part within its uncertainty is left
    out.
    """
    u = (math.nan, math.nan) if state is None else state.u_shift_mm
    parts: list[str] = []
    words = (("right", "left"), ("down", "up"))
    for value, spread, (positive, negative) in zip(move_mm, u, words, strict=True):
        negligible = abs(value) < max(0.005, spread if math.isfinite(spread) else 0.0)
        if not negligible or (not parts and positive == "down"):
            direction = positive if value >= 0 else negative
            parts.append(f"{with_uncertainty(abs(value), spread, digits=2)} {direction}")
    return ", ".join(parts)


def _headline(recuts: int, reseats: int, unsure: int, pieces: int, seen: str) -> str:
    parts = [f"Recut {recuts} of {pieces} pieces" if recuts else f"Nothing to recut of {pieces} pieces"]
    if reseats:
        parts.append(f"re-seat {reseats}")
    if unsure:
        parts.append(f"unsure of {unsure}")
    return ", ".join(parts) + f"; {seen}."


def _seen_length_mm(inspection: Inspection) -> tuple[float, float]:
    """Seen and whole length of all drawn seams."""
    shares = {seam.id: float(seam.seen.mean()) for seam in inspection.survey.seams if len(seam.stations)}
    seams = inspection.design.seams
    return (
        sum(shares.get(seam.id, 0.0) * seam.length_mm for seam in seams),
        sum(seam.length_mm for seam in seams),
    )


def _dark_seams(inspection: Inspection) -> tuple[str, ...]:
    lit = {seam.id for seam in inspection.survey.seams if seam.seen.any()}
    return tuple(sorted(seam.id for seam in inspection.design.seams if seam.id not in lit))


def _cautions(inspection: Inspection) -> tuple[str, ...]:
    several = len(inspection.photos) > 1
    said = {warning for photo in inspection.photos for warning in photo.warnings}
    # What the photos say of each other comes first; what each says of itself is said once, with its name.
    lines = [warning for warning in inspection.survey.warnings if warning not in said]
    lines += [
        f"{photo.file}: {warning}" if several else warning for photo in inspection.photos for warning in photo.warnings
    ]
    lines += [*inspection.plan.notes, *inspection.design.notes]
    return tuple(dict.fromkeys(lines))


def _check_words(photo: PhotoRecord) -> str:
    """``Check slots in a.jpg: 0.004 ± 0.007 mm too wide on average (top 0.314 ± 0.005 for 0.310, …)``."""
    mean = mean_off(photo.check)
    if mean is None:
        whole = NOT_SEEN
    else:
        whole = f"{with_uncertainty(abs(mean[0]), mean[1])} too {'wide' if mean[0] >= 0 else 'narrow'} on average"
    return f"Check slots in {photo.file}: {whole} ({', '.join(_slot_words(slot) for slot in photo.check)})"


def _slot_words(slot: CheckSlot) -> str:
    if not slot.seen:
        return f"{slot.side} not seen, {slot.reason.words}"
    return f"{slot.side} {with_uncertainty(slot.measured_mm, slot.u_measured_mm, '')} for {slot.true_mm:.3f}"


def _apart(inspection: Inspection) -> tuple[str, ...]:
    files = [photo.file for photo in inspection.photos]
    return tuple(
        f"{one.seam}: {with_uncertainty(abs(one.apart_mm), one.u_apart_mm)} apart in {files[one.photos[0]]} and "
        f"{files[one.photos[1]]}"
        for one in inspection.survey.disagreements
    )
