"""From results to what is proposed for the part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from runner.measure.faults import SAID, Fault
from runner.records import Outcome, OverlapRecord, PoseRecord, PoseStatus, Result, Verdict

MOST_NAMED = 4
"""Reasons name at most this many characteristics."""


def decide_outcome(results: Sequence[Result], poses: Sequence[PoseRecord]) -> tuple[Outcome, str, str]:
    """Return outcome, reason and advice of a part.

    A pose that is not proven holds the part, whatever the results; else any nonconforming characteristic rejects it;
    else anything undecided or not measured holds it; else it is accepted. Information decides nothing. A part without
    any decided characteristic is held: nothing was proven.
    """
    if not poses:
        return Outcome.HOLD, "no scan was aligned", "Scan the part and drop the file again."
    unproven = [pose for pose in poses if pose.status is not PoseStatus.ALIGNED]
    if unproven:
        worst = unproven[0]
        return Outcome.HOLD, f"{worst.status}: {worst.reason}".rstrip(": "), worst.advice
    bad = [r for r in results if r.verdict is Verdict.DOES_NOT_CONFORM]
    if bad:
        return Outcome.REJECT, _reasons(bad), "Set the part aside for a decision on the nonconforming characteristics."
    open_ones = [r for r in results if r.verdict in (Verdict.UNDECIDED, Verdict.NOT_MEASURED)]
    if open_ones:
        return Outcome.HOLD, _reasons(open_ones), _advice(open_ones)
    if not any(r.verdict is Verdict.CONFORMS for r in results):
        return Outcome.HOLD, "no characteristic was decided", "Give the recipe at least one characteristic with limits."
    return Outcome.ACCEPT, "", ""


def hold_for_overlaps(overlaps: Sequence[OverlapRecord]) -> tuple[str, str] | None:
    """Why scans that contradict each other hold the part, and what to do; None when they agree."""
    apart = [o for o in overlaps if not o.agrees]
    if not apart:
        return None
    named = "; ".join(_apart(o) for o in apart[:MOST_NAMED])
    rest = len(apart) - MOST_NAMED
    return (
        "the scans disagree: " + named + (f"; and {rest} more" if rest > 0 else ""),
        "Find out which scan is right: the part may have moved, warped or been clamped between the scans, or a scan "
        "is of another piece. Then scan again.",
    )


def _apart(overlap: OverlapRecord) -> str:
    """One pair of scans that disagree, where and by how much."""
    assert overlap.region is not None and overlap.limit is not None
    place = "" if overlap.at is None else " near ({:.1f}, {:.1f}, {:.1f})".format(*overlap.at)
    return (
        f"{overlap.first} and {overlap.second} differ by {abs(overlap.region):.3f} mm{place}, "
        f"more than {overlap.limit:.3f} mm"
    )


def undecided(results: Sequence[Result], reason: str) -> tuple[Result, ...]:
    """Return results whose values stay, but which decide nothing, for one reason."""
    decided = (Verdict.CONFORMS, Verdict.DOES_NOT_CONFORM)
    return tuple(
        replace(
            r,
            verdict=Verdict.UNDECIDED,
            reason=reason,
            parts=tuple(replace(p, verdict=Verdict.UNDECIDED) if p.verdict in decided else p for p in r.parts),
        )
        if r.verdict in decided
        else r
        for r in results
    )


def hold_for_faults(faults: Sequence[Fault]) -> tuple[str, str]:
    """Why a part is held on which the program failed, and what to do. Nothing else that was found decides it."""
    named = "; ".join(f"{fault.what}: {fault.error}" for fault in faults[:MOST_NAMED])
    rest = len(faults) - MOST_NAMED
    return (
        f"{SAID}: {named}" + (f"; and {rest} more" if rest > 0 else ""),
        "Report this to whoever looks after the program; scanning again won't help.",
    )


def _reasons(results: Sequence[Result]) -> str:
    """One line that names the characteristics and why."""
    named = []
    for result in results[:MOST_NAMED]:
        text = f"{result.id} {result.verdict}"
        named.append(f"{text} ({result.reason})" if result.reason else text)
    rest = len(results) - MOST_NAMED
    return "; ".join(named) + (f"; and {rest} more" if rest > 0 else "")


def _advice(results: Sequence[Result]) -> str:
    """What the operator does about undecided and unmeasured characteristics."""
    lines = []
    gauges = [r.id for r in results if r.kind == "other gauge" and r.verdict is Verdict.NOT_MEASURED]
    unseen = [r for r in results if r.verdict is Verdict.NOT_MEASURED and r.kind != "other gauge"]
    undecided = [r.id for r in results if r.verdict is Verdict.UNDECIDED]
    if gauges:
        lines.append(f"Enter the other gauge's result for {_list(gauges)}.")
    if unseen:
        names = sorted({name for r in unseen for name in r.features})
        lines.append(f"Scan again with a clear view of {_list(names)}." if names else "Scan the part again.")
    if undecided:
        lines.append(f"Measure {_list(undecided)} with a smaller uncertainty, or scan those places more densely.")
    return " ".join(lines)


def _list(names: Sequence[str]) -> str:
    """Names in a sentence, at most a few of them."""
    shown = ", ".join(names[:MOST_NAMED])
    return shown + (f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else "")
