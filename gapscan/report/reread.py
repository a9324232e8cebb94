"""The fit record read back: all that the list in the terminal and the recut drawing need, without photo and drawing.

A record is a file that may have been edited or cut short: everything read from it is checked, and whatever cannot be used
is one sentence.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from gapscan.design.types import Design, Piece, Seam, Stations
from gapscan.errors import InputError
from gapscan.job import Job
from gapscan.measure.check_slots import CheckSlot
from gapscan.measure.types import Budget, Disagreement, GapSurvey, Reason, SeamGaps
from gapscan.measure.uncertainty import combined, independent_readings
from gapscan.recut.record import LARGEST, RecordedPlan, numbers, read_plan_block, strings, undamaged, whole_numbers
from gapscan.recut.types import Cause, RecutPlan
from gapscan.report.archive import SCHEMA
from gapscan.report.types import Inspection, PhotoRecord, RoundNews
from gapscan.solve.types import PieceFit, PieceState

FloatArray = NDArray[np.float64]

_LARGEST_FILE = 500 * 2**20
_REASONS = {reason.words: reason for reason in Reason}


def read_record(path: Path) -> tuple[dict[str, Any], RecordedPlan]:
    """Read a fit record and the block from which it can be planned anew.

    Raises InputError naming the file: not there, not JSON, not a fit record, older than the block, or damaged.
    """
    try:
        if not path.is_file():  # not a folder, nor a pipe that would never end
            raise InputError(f"{path}: is not there; give the folder that gapscan inspect wrote its results to")
        if path.stat().st_size > _LARGEST_FILE:
            raise InputError(f"{path}: is too large for a fit record; run gapscan inspect once more")
        raw = path.read_bytes()
    except OSError as err:
        raise InputError(f"{path}: cannot be read ({err.strerror or err}); check the path") from err
    except ValueError as err:  # a path with a null character
        raise InputError(f"{str(path)!r}: is no path; check the path") from err
    try:
        record = json.loads(raw.decode("utf-8-sig"), parse_constant=_refuse_constant, parse_float=_finite)
    except (ValueError, RecursionError) as err:
        raise InputError(f"{path}: is not valid JSON ({err}); run gapscan inspect once more") from err
    if not isinstance(record, dict) or record.get("schema") != SCHEMA:
        told = record.get("schema") if isinstance(record, dict) else None
        raise InputError(
            f"{path}: is no fit record of this version (schema {told!r}, {SCHEMA!r} is wanted); "
            "run gapscan inspect once more"
        )
    if "plan" not in record:
        raise InputError(
            f"{path}: was written by an older version and does not hold what a new plan needs; "
            "run gapscan inspect once more"
        )
    return record, read_plan_block(record["plan"], source=str(path))


def recorded_inspection(record: dict[str, Any], recorded: RecordedPlan, *, source: str) -> Inspection:
    """The inspection as far as the record tells it, with the stored settings and a plan without decisions.

    There is no picture in it and no traces; seams have no points, stations no normals. The shared part of each
    station's uncertainty is that of its seam's mean. Raises InputError where the record is damaged.
    """
    given = recorded.given
    with undamaged(source):
        photos = tuple(_photo(photo) for photo in record["photos"])
        files = [photo.file for photo in photos]
        pieces = {piece["id"]: piece for piece in record["pieces"]}
        if tuple(sorted(pieces)) != tuple(sorted(given.ids)) or len(record["pieces"]) != len(given.ids):
            raise ValueError("its pieces are not those of its block plan")
        for piece in record["pieces"]:
            _stored_decision(piece)
        seams = [_drawn_seam(seam, pieces) for seam in record["seams"]]
        measured = [gaps for seam in record["seams"] if (gaps := _gaps(seam)) is not None]
        states = tuple(_state(pieces[name], recorded, k) for k, name in enumerate(given.ids))
        scale = (_scalar(record["scale_rel"]), _scalar(record["scale_rel_standard_uncertainty"]))
        return Inspection(
            design=Design(
                source=source,
                pieces=tuple(Piece(name, outline) for name, outline in zip(given.ids, given.outlines, strict=True)),
                seams=tuple(seams),
                rims=(),
                notes=recorded.drawing_notes,
            ),
            job=recorded.job,
            photos=photos,
            display_bgr=np.zeros((0, 0, 3), np.uint8),
            seam_traces=(),
            piece_traces=(),
            survey=GapSurvey(
                seams=tuple(measured),
                rims=(),
                blur_sigma_px=math.nan,
                warnings=strings(record["warnings"]),
                disagreements=tuple(_disagreement(one, files) for one in record["disagreements"]),
            ),
            fit=PieceFit(states, np.zeros((0, 0)), *scale, math.nan, math.nan),
            plan=RecutPlan((), True, (), ()),
            news=None if "round" not in record else _news(record["round"], recorded),
        )


def _news(block: dict[str, Any], recorded: RecordedPlan) -> RoundNews:
    """Of a later round: its number, and what its plan allows for."""
    number, past = (
        int(whole_numbers([block["number"]], "number of the round", low=2, below=10_000)[0]),
        recorded.given.past,
    )
    words = f"of an asked change {past.response:.2f} ± {past.u_response:.2f} is got; the changes allow for it."
    return RoundNews(block, (f"Round {number}, after {_text(block['after'])}: {words}",), past)


def recorded_causes(record: dict[str, Any], *, source: str) -> tuple[tuple[Cause, ...], tuple[Cause, ...]]:
    """Causes of pieces and of seams as the record tells them: what was measured does not change with the plan."""
    with undamaged(source):
        pieces = [
            _cause(one, one["cause_by_evidence"], one["cause_amount_mm"])
            for one in record["pieces"]
            if one["cause_by_evidence"] is not None
        ]
        seams = [_cause(one, one["cause"], None) for one in record["seams"] if one["cause"] is not None]
    return tuple(pieces), tuple(seams)


def _cause(one: dict[str, Any], words: object, amount: object) -> Cause:
    return Cause(
        id=_text(one["id"]),
        cause=_text(words),
        strength=_scalar(one["cause_probability"], missing=False),
        amount_mm=None if amount is None else _scalar(amount, missing=False),
        tell=_text(one["would_tell"] or ""),
    )


def known_at(survey: GapSurvey, ids: tuple[str, ...], job: Job) -> FloatArray:
    """Share (P,) of each piece's seams that was seen or cannot hide a gap over the job's tolerance; 1 without seams."""
    index = {name: k for k, name in enumerate(ids)}
    known, total = np.zeros(len(ids)), np.zeros(len(ids))
    for seam in survey.seams:
        own = [index[name] for name in seam.pieces]
        known[own] += int((seam.seen | (np.nan_to_num(seam.bound_mm, nan=np.inf) <= job.tolerance_mm)).sum())
        total[own] += len(seam.stations)
    return np.where(total > 0, known / np.maximum(total, 1), 1.0)


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no number")


def _finite(text: str) -> float:
    value = float(text)
    if math.isinf(value):
        raise ValueError(f"{text[:20]} is out of range")
    return value


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError("a text was expected")
    return value


def _scalar(value: object, *, missing: bool = True) -> float:
    """A number; NaN for null."""
    return float(numbers([value], "a figure", missing=missing)[0])


def _photo(photo: dict[str, Any]) -> PhotoRecord:
    return PhotoRecord(
        file=_text(photo["file"]),
        px_per_mm=_scalar(photo["px_per_mm"]),
        view=_text(photo["view"]),
        camera_height_mm=_scalar(photo["camera_height_mm"]),
        u_camera_height_mm=_scalar(photo["camera_height_standard_uncertainty_mm"]),
        reference_rms_mm=_scalar(photo["reference_rms_mm"]),
        warnings=strings(photo["warnings"]),
        check=tuple(_slot(slot) for slot in photo["check"]),
        bare_file=_text(photo["bare_photo"] or ""),
        bare_relative_u=_scalar(photo["bare_light_relative_standard_uncertainty"]),
    )


def _slot(slot: dict[str, Any]) -> CheckSlot:
    why = slot["not_seen_because"]
    return CheckSlot(
        side=_text(slot["slot"]),
        true_mm=_scalar(slot["true_mm"], missing=False),
        u_true_mm=_scalar(slot["true_standard_uncertainty_mm"], missing=False),
        measured_mm=_scalar(slot["measured_mm"], missing=why is not None),
        u_measured_mm=_scalar(slot["standard_uncertainty_mm"], missing=why is not None),
        u_own_mm=_scalar(slot["own_standard_uncertainty_mm"], missing=why is not None),
        reason=Reason.SEEN if why is None else _REASONS[why],
    )


def _disagreement(one: dict[str, Any], files: list[str]) -> Disagreement:
    first, second = (files.index(name) for name in one["photos"])
    apart, u = _scalar(one["difference_mm"]), _scalar(one["standard_uncertainty_mm"])
    return Disagreement(_text(one["seam"]), (first, second), apart, u)


def _stored_decision(piece: dict[str, Any]) -> None:
    if piece["verdict"] not in ("keep", "recut", "unsure"):
        raise ValueError("a verdict is none of keep, recut, unsure")
    _scalar(piece["offset_change_mm"], missing=False)
    _scalar(piece["standard_uncertainty_mm"])


def _state(piece: dict[str, Any], recorded: RecordedPlan, k: int) -> PieceState:
    given = recorded.given
    return PieceState(
        id=given.ids[k],
        undersize_mm=float(given.undersize_mm[k]),
        u_undersize_mm=float(given.u_undersize_mm[k]),
        shift_mm=(float(given.shift_mm[k, 0]), float(given.shift_mm[k, 1])),
        u_shift_mm=(float(given.u_shift_mm[k, 0]), float(given.u_shift_mm[k, 1])),
        bend_mm=_scalar(piece["bend_loss_mm"]),
        u_bend_mm=_scalar(piece["bend_loss_standard_uncertainty_mm"]),
        turn_deg=_scalar(piece["turn_deg"]),
        u_turn_deg=_scalar(piece["turn_standard_uncertainty_deg"]),
        seen_fraction=_scalar(piece["seen_fraction"], missing=False),
    )


def _drawn_seam(seam: dict[str, Any], pieces: dict[str, Any]) -> Seam:
    first, second = strings(seam["pieces"])
    if first not in pieces or second not in pieces:
        raise ValueError("a seam lies between pieces that are not there")
    return Seam(_text(seam["id"]), (first, second), (), _scalar(seam["length_mm"], missing=False))


def _gaps(seam: dict[str, Any]) -> SeamGaps | None:
    """The samples of one seam; None for a seam without any."""
    samples = seam["samples"]
    count = len(samples["s_mm"])
    if count == 0:
        return None
    s, x, y = (numbers(samples[name], name, count=count) for name in ("s_mm", "x_mm", "y_mm"))
    names = ("gap_mm", "standard_uncertainty_mm", "hidden_at_most_mm")
    gap, u, bound = (numbers(samples[name], name, count=count, missing=True) for name in names)
    reason = np.array([Reason.SEEN if why is None else _REASONS[why] for why in samples["reason"]], np.int8)
    seen = reason == Reason.SEEN
    if len(reason) != count or (np.isfinite(gap) != seen).any() or (np.isfinite(u) != seen).any():
        raise ValueError("a sample has neither figure nor reason, or both")
    if (np.diff(s) <= 0).any() or (u[seen] < 0).any():
        raise ValueError("samples of a seam are out of order")
    of_stretch = whole_numbers(seam["samples_by_stretch"], "samples_by_stretch", low=1, below=count + 1)
    if of_stretch.sum() != count:
        raise ValueError("samples_by_stretch does not add up")
    nothing = np.full(count, math.nan)
    shared, budget = _budget(seam["gap_mm"], u, seen, float(np.median(np.diff(s))) if count > 1 else 0.0)
    first, second = strings(seam["pieces"])
    return SeamGaps(
        id=_text(seam["id"]),
        pieces=(first, second),
        stations=Stations(
            s_mm=s,
            xy_mm=np.column_stack([x, y]),
            normal=np.full((count, 2), math.nan),
            curvature_per_mm=nothing,
            junction_mm=nothing,
            stretch=np.repeat(np.arange(len(of_stretch)), of_stretch),
        ),
        reason=reason,
        gap_mm=gap,
        u_gap_mm=u,
        u_shared_mm=np.where(seen, shared, math.nan),
        centre_mm=nothing,
        u_centre_mm=nothing,
        bound_mm=bound,
        budget=budget,
    )


def _budget(
    figures: dict[str, Any], u: FloatArray, seen: NDArray[np.bool_], step_mm: float
) -> tuple[float, Budget | None]:
    """The shared part of the stations' uncertainty and the whole by source, from those of the seam's mean.

    Where the sources are not known: of U² = n̄² + s² for a station and M² = n̄²/k + s² for the mean of k independent
    readings, s is what solves both.
    """
    if not seen.any():
        return math.nan, None
    parts = figures["budget"]
    if parts is None:
        k = independent_readings(int(seen.sum()), step_mm)
        squares = (_scalar(figures["standard_uncertainty"], missing=False) ** 2, float((u[seen] ** 2).mean()))
        shared_squared = squares[1] if k <= 1.0 else (squares[0] - squares[1] / k) / (1.0 - 1.0 / k)
        return math.sqrt(min(max(shared_squared, 0.0), LARGEST)), None
    each = {name: _scalar(value, missing=False) for name, value in parts.items() if name != "noise"}
    shared = float(combined(0.0, *each.values()))
    noise = np.sqrt(np.maximum(u**2 - shared**2, 0.0))
    return shared, Budget(noise=noise, **{name: np.where(seen, value, math.nan) for name, value in each.items()})
