"""What changed between two inspections of the same scans, characteristic by characteristic. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from runner.records import Inspection, Result, Verdict


@dataclass(frozen=True)
class Change:
    """One characteristic before and after; one of the two is None where the recipes don't both ask for it."""

    id: str
    before: Result | None
    after: Result | None

    @property
    def difference(self) -> float | None:
        """New value less old one, in their unit; None where either is missing or the units differ."""
        old, new = self.before, self.after
        if old is None or new is None or old.value is None or new.value is None or old.unit != new.unit:
            return None
        return new.value - old.value

    @property
    def requirement_changed(self) -> bool:
        """Whether something else is asked for than before."""
        if self.before is None or self.after is None:
            return True
        return _requirement(self.before) != _requirement(self.after)

    @property
    def flips(self) -> bool:
        """Whether the verdict differs, for a characteristic that both recipes ask for."""
        return self.before is not None and self.after is not None and self.before.verdict is not self.after.verdict

    @property
    def changed(self) -> bool:
        """Whether anything differs: requirement, verdict, or the value in any bit."""
        if self.before is None or self.after is None or self.requirement_changed or self.flips:
            return True
        return self.before.value != self.after.value

    @property
    def what(self) -> str:
        """A few words: what kind of change this is."""
        if self.before is None:
            return "new in the recipe"
        if self.after is None:
            return "no longer in the recipe"
        words = []
        if self.flips:
            words.append("verdict")
        if self.requirement_changed:
            words.append("requirement")
        if self.before.value != self.after.value:
            words.append("value")
        return ", ".join(words) or "same"

    @property
    def sentence(self) -> str:
        """One line for the ledger."""
        if self.before is None or self.after is None:
            result = self.after or self.before
            assert result is not None
            return f"{self.id}: {self.what} ({result.verdict}, {_value(result, result.decimals)})"
        decimals = max(self.before.decimals, self.after.decimals) + 2
        values = f"{_value(self.before, decimals)} -> {_value(self.after, decimals)}"
        limits = f", {self.before.limits_text} -> {self.after.limits_text}" if self.requirement_changed else ""
        return f"{self.id}: {self.before.verdict} -> {self.after.verdict}, {values}{limits}"


@dataclass(frozen=True)
class Replayed:
    """One inspection of the ledger and its replay, or why there is none."""

    old: Inspection
    entry: int
    """Number of the ledger entry of the old inspection."""
    counts: bool
    """Whether the old inspection is the one that counts for its piece."""
    new: Inspection | None
    trouble: str = ""
    """Why it was not measured anew."""
    missing: tuple[str, ...] = ()
    """Scan files that were not found: name and hash."""
    committed: int | None = None
    """Number of the ledger entry that the replay made; None when nothing was written."""

    @property
    def changes(self) -> tuple[Change, ...]:
        """Every characteristic of either, in the order of the new recipe, then those that it no longer has."""
        return () if self.new is None else compare(self.old.results, self.new.results)

    @property
    def outcome_flips(self) -> bool:
        """Whether the proposed outcome differs."""
        return self.new is not None and self.new.outcome is not self.old.outcome


@dataclass(frozen=True)
class Spread:
    """One characteristic over all replays."""

    id: str
    title: str
    unit: str
    compared: int
    """Pairs of values."""
    mean: float | None
    """Of the differences."""
    largest: float | None
    """The difference that is largest in absolute value."""
    at: str
    """Serial of that one."""
    flips: tuple[tuple[Verdict, Verdict, int], ...]
    """Old verdict, new verdict, how often."""
    requirement_changed: bool


def compare(before: Iterable[Result], after: Iterable[Result]) -> tuple[Change, ...]:
    """Pair the results by their balloon numbers."""
    old = {result.id: result for result in before}
    new = {result.id: result for result in after}
    both = [*new, *(number for number in old if number not in new)]
    return tuple(Change(number, old.get(number), new.get(number)) for number in both)


def spreads(replays: Iterable[Replayed]) -> tuple[Spread, ...]:
    """Every characteristic over all replays, in the order of the recipe."""
    found: dict[str, list[tuple[str, Change]]] = {}
    for replay in replays:
        for change in replay.changes:
            found.setdefault(change.id, []).append((replay.old.serial, change))
    return tuple(_spread(number, changes) for number, changes in found.items())


def _spread(number: str, changes: list[tuple[str, Change]]) -> Spread:
    measured = [(serial, d) for serial, change in changes if (d := change.difference) is not None]
    at, largest = max(measured, key=lambda pair: abs(pair[1]), default=("", None))
    at = at if largest else ""
    flips: dict[tuple[Verdict, Verdict], int] = {}
    for _, change in changes:
        if change.before is not None and change.after is not None and change.flips:
            key = change.before.verdict, change.after.verdict
            flips[key] = flips.get(key, 0) + 1
    _, last = changes[-1]
    shown = last.after or last.before
    assert shown is not None
    return Spread(
        id=number,
        title=shown.title,
        unit=shown.unit,
        compared=len(measured),
        mean=sum(d for _, d in measured) / len(measured) if measured else None,
        largest=largest,
        at=at,
        flips=tuple((old, new, count) for (old, new), count in flips.items()),
        requirement_changed=any(change.requirement_changed for _, change in changes),
    )


def _requirement(result: Result) -> tuple[object, ...]:
    """What is asked for, apart from words."""
    return (
        result.kind,
        result.features,
        result.unit,
        result.nominal,
        result.lower,
        result.upper,
        result.limits_text,
        result.datum_system,
    )


def _value(result: Result, decimals: int) -> str:
    return "no value" if result.value is None else f"{result.value:.{decimals}f} {result.unit}".strip()
