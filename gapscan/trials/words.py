"""A comparison in plain sentences, and as data."""

from __future__ import annotations

import math
from typing import Any

from gapscan.figures import rounded
from gapscan.report.findings import with_uncertainty
from gapscan.trials.types import Comparison, Estimate, Group, SeamDifference

SCHEMA = "gapscan.compare/1"
_MOST = 5  # seams named before "and more"; all are in the JSON
_TELLS_WORTHS = 2.0  # a figure less sure than this many times what matters is left to the JSON
_STANDS_OUT = 3.0  # standard uncertainties: among many seams some differ by two by chance alone


def headline(found: Comparison) -> str:
    """``B leaves smaller gaps: 0.060 ± 0.008 mm …`` or that this cannot be told, and what would tell."""
    group = found.whole
    one = group.estimate
    assert one is not None
    if group.finding in ("smaller", "larger"):
        way = "less" if group.finding == "smaller" else "more"
        gap = with_uncertainty(2 * abs(one.mean_mm), 2 * one.u_mm)
        edge = with_uncertainty(abs(one.mean_mm), one.u_mm)
        return (
            f"B leaves {group.finding} gaps: {gap} between two pieces at the same offset; an edge loses {edge} {way} "
            f"({interval_words(one)})."
        )
    worth = f"{found.worth_mm:g} mm"
    if group.finding == "alike":
        return f"No difference that matters: an edge loses less than {worth} more or less in B ({interval_words(one)})."
    return f"Can't tell from this: an edge loses {signed(one)} in B ({interval_words(one)}); {_what_would(found)}."


def _what_would(found: Comparison) -> str:
    one, worth = found.whole.estimate, f"{found.worth_mm:g} mm"
    assert one is not None
    if one.count < 2:
        return "one piece seen in both says nothing of the scatter from piece to piece: cut and photograph more"
    if found.more_pieces is None:
        return (
            f"no number of pieces would tell a difference of {worth}, for what each photo shares over all pieces "
            f"(± {one.common_mm:.3f} mm) does not average out: more photos, with --bare and check slots, would"
        )
    if found.more_pieces == 0:
        return (
            f"{one.count} pieces are enough to tell a difference of {worth} four times in five, so it is likely smaller"
        )
    return f"about {found.more_pieces} more pieces would tell a difference of {worth} four times in five"


def lines(found: Comparison) -> tuple[str, ...]:
    """Sentences to print after the table, headline last."""
    said = []
    if found.differences:
        said.append("What was different: " + "; ".join(found.differences) + ".")
    else:
        said.append(
            "The job files name nothing that was different in the cut: what differs here is chance, or something that they "
            "do not tell."
        )
    if (
        found.bend is not None and found.bend.u_mm < _TELLS_WORTHS * found.worth_mm
    ):  # straight pieces say nothing of bends
        said.append(
            f"Loss in tight bends beyond that of straight parts: {signed(found.bend)} in B ({interval_words(found.bend)})."
        )
    if found.gaps is not None:
        said.append(
            f"Gaps as taped, offsets and seats as they are: {signed(found.gaps)} in B, mean of {found.gaps.count} seams "
            f"({interval_words(found.gaps)})."
        )
    apart = sorted((s for s in found.seams if abs(s.difference_mm) > _STANDS_OUT * s.u_mm), key=_by_size)
    if apart:
        shown = "; ".join(f"{s.id} {_seam_words(s)}" for s in apart[:_MOST])
        more = f"; and {len(apart) - _MOST} more" if len(apart) > _MOST else ""
        said.append(f"Seams whose gap changed most: {shown}{more}.")
    said += [_apart(group) for group in found.groups if group.finding not in ("can't tell", found.whole.finding)]
    left = found.whole.left_out
    if left or found.unseen_seams:
        said.append(
            f"Left out, for they were not seen in both: {left} piece{'' if left == 1 else 's'}, "
            f"{found.unseen_seams} seam{'' if found.unseen_seams == 1 else 's'}."
        )
    return (*said, headline(found))


def _apart(group: Group) -> str:
    """A class that says something else than all pieces together do."""
    one = group.estimate
    assert one is not None
    kind = "" if group.kind == "size" else f" ({group.kind})"
    return (
        f"{group.name}{kind}: B leaves {group.finding} gaps there, an edge loses {signed(one)} ({interval_words(one)})."
    )


def interval_words(one: Estimate) -> str:
    """``95 %: -0.039 to -0.021 mm, 30 pieces``."""
    if not math.isfinite(one.low_mm):
        return "one alone, no interval"
    return f"95 %: {one.low_mm:+.3f} to {one.high_mm:+.3f} mm"


def signed(one: Estimate) -> str:
    """``0.012 ± 0.004 mm more`` or ``less``."""
    return f"{with_uncertainty(abs(one.mean_mm), one.u_mm)} {'more' if one.mean_mm >= 0 else 'less'}"


def finding_words(group: Group) -> str:
    """What a row of the table says."""
    if group.estimate is None:
        return "not seen in both"
    return {"smaller": "smaller gaps", "larger": "larger gaps", "alike": "no difference that matters"}.get(
        group.finding, "can't tell"
    )


def as_data(found: Comparison) -> dict[str, Any]:
    """The comparison for ``json.dumps(..., allow_nan=False)``; lengths in mm, B − A."""
    return {
        "schema": SCHEMA,
        "units": "mm",
        "a": found.names[0],
        "b": found.names[1],
        "finding": found.whole.finding,
        "sentence": headline(found),
        "different_in_the_cut": list(found.differences),
        "loss": {"all": _group(found.whole), "groups": [_group(group) for group in found.groups]},
        "bend_loss": _estimate(found.bend),
        "mean_gap": _estimate(found.gaps),
        "worth_mm": found.worth_mm,
        "more_pieces": found.more_pieces,
        "seams": [
            {"id": s.id, "difference_mm": rounded(s.difference_mm, 5), "standard_uncertainty_mm": rounded(s.u_mm, 5)}
            for s in found.seams
        ],
        "seams_not_seen_in_both": found.unseen_seams,
    }


def _group(group: Group) -> dict[str, Any]:
    return {
        "kind": group.kind,
        "name": group.name,
        "finding": group.finding,
        "not_seen_in_both": group.left_out,
        "difference": _estimate(group.estimate),
    }


def _estimate(one: Estimate | None) -> dict[str, Any] | None:
    if one is None:
        return None
    return {
        "count": one.count,
        "mean_mm": rounded(one.mean_mm, 5),
        "standard_uncertainty_mm": rounded(one.u_mm, 5),
        "of_the_scatter_mm": rounded(one.own_mm, 5),
        "of_the_photos_mm": rounded(one.common_mm, 5),
        "interval_95_mm": [rounded(one.low_mm, 5), rounded(one.high_mm, 5)],
        "spread_mm": rounded(one.spread_mm, 5),
        "degrees_of_freedom": rounded(one.freedom, 1),
        "p": float(f"{one.p:.3g}"),
    }


def _by_size(seam: SeamDifference) -> float:
    return -abs(seam.difference_mm)


def _seam_words(seam: SeamDifference) -> str:
    return f"{with_uncertainty(abs(seam.difference_mm), seam.u_mm)} {'wider' if seam.difference_mm > 0 else 'narrower'}"
