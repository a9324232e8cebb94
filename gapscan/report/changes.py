"""What a new plan changes against the one that a fit record holds, in words."""

from __future__ import annotations

from typing import Any

from gapscan.recut.types import RecutPlan
from gapscan.report.findings import change_words
from gapscan.text import named

_MOST = 12  # ids named before "and more"


def plan_changes(record: dict[str, Any], plan: RecutPlan) -> tuple[str, ...]:
    """Sentences: pieces that joined the recut list, that left it, and those whose change is another one.

    ``record`` holds the stored plan, of the same pieces. One sentence says so where nothing changes.
    """
    stored = {piece["id"]: piece for piece in record["pieces"]}
    was = {name for name, piece in stored.items() if piece["verdict"] == "recut"}
    now = {one.id: one for one in plan.decisions if one.verdict == "recut"}
    said = []
    for names, words in ((set(now) - was, "Joined the recut list"), (was - set(now), "Left the recut list")):
        if names:
            said.append(f"{words}: {named([_with_verdict(name, plan) for name in sorted(names)], limit=_MOST)}.")
    others = []
    for name in sorted(was & set(now)):
        piece = stored[name]
        u = piece["standard_uncertainty_mm"]
        before = change_words(piece["offset_change_mm"], float("nan") if u is None else u)
        after = change_words(round(now[name].offset_change_mm, 4), round(now[name].standard_uncertainty_mm, 4))
        if before != after:
            others.append(f"{name} {after} instead of {before}")
    if others:
        said.append(f"Another change: {named(others, between='; ', limit=_MOST)}.")
    if not said:
        return ("Against the stored plan: the same pieces, the same changes.",)
    return ("Against the stored plan:", *said)


def _with_verdict(name: str, plan: RecutPlan) -> str:
    """The id; with what became of it where it is not simply kept."""
    verdict = next(one.verdict for one in plan.decisions if one.id == name)
    return f"{name} (unsure now)" if verdict == "unsure" else name
