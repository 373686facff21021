"""Records to rows and columns. Pure; every document takes its numbers from here."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from runner.records import Attempt, Outcome, Piece, Result, Verdict

Cell = str | int | float | None


@dataclass(frozen=True)
class Column:
    """One characteristic as the head of a table shows it.

    The same balloon number with other limits (an older recipe) is a column of its own, marked by ``version`` > 1:
    values are never shown under limits that they were not judged by.
    """

    id: str
    version: int
    kind: str
    title: str
    unit: str
    decimals: int
    nominal: float | None
    lower: float | None
    upper: float | None
    limits_text: str
    datum_system: str
    classification: str
    where: str

    @property
    def heading(self) -> str:
        """Balloon number, with the version where there are several."""
        return self.id if self.version == 1 else f"{self.id} (requirement {self.version})"


@dataclass(frozen=True)
class Row:
    """One piece: its standing attempt and one result, or None, per column."""

    piece: Piece
    attempt: Attempt
    results: tuple[Result | None, ...]

    @property
    def failed(self) -> tuple[str, ...]:
        """Ids that do not conform."""
        return ids_of(self.attempt.inspection.results, Verdict.DOES_NOT_CONFORM)

    @property
    def open(self) -> tuple[str, ...]:
        """Ids that are undecided or not measured."""
        return ids_of(self.attempt.inspection.results, Verdict.UNDECIDED, Verdict.NOT_MEASURED)


@dataclass(frozen=True)
class Statistics:
    """Of one column over the standing attempts. ``std`` has n - 1 in the denominator; None below two values."""

    n: int
    mean: float | None
    std: float | None
    low: float | None
    high: float | None
    verdicts: dict[Verdict, int]


@dataclass(frozen=True)
class PartTable:
    """Everything that the documents of one part number show."""

    part_number: str
    part_name: str
    revisions: tuple[str, ...]
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    statistics: tuple[Statistics, ...]
    pieces: tuple[Piece, ...]

    @property
    def outcomes(self) -> Counter[Outcome]:
        """Number of pieces by outcome of the standing attempt."""
        return Counter(row.attempt.inspection.outcome for row in self.rows)

    @property
    def attempts(self) -> tuple[Attempt, ...]:
        """All attempts in the order of the ledger."""
        return tuple(sorted((a for p in self.pieces for a in p.attempts), key=lambda a: a.sequence))


def ids_of(results: Iterable[Result], *verdicts: Verdict) -> tuple[str, ...]:
    """Ids of the results with one of the verdicts, in order."""
    return tuple(result.id for result in results if result.verdict in verdicts)


def part_table(pieces: Sequence[Piece]) -> PartTable:
    """Arrange the pieces of one part number.

    Columns stand in the order of the newest recipe's results; requirements that only older ones had follow.
    """
    numbers = {piece.part_number for piece in pieces}
    if len(numbers) > 1:
        raise ValueError(f"one table is for one part number; these are {', '.join(sorted(numbers))}")
    standing = [(piece, attempt) for piece in pieces if (attempt := piece.standing) is not None]
    newest_first = sorted((attempt for _, attempt in standing), key=lambda a: -a.sequence)
    columns = _columns(newest_first)
    at = {_key(result): index for index, result in columns}
    rows = []
    for piece, attempt in standing:
        cells: list[Result | None] = [None] * len(columns)
        for result in attempt.inspection.results:
            cells[at[_key(result)]] = result
        rows.append(Row(piece, attempt, tuple(cells)))
    every = [attempt.inspection for piece in pieces for attempt in piece.attempts]
    return PartTable(
        part_number=next(iter(numbers), ""),
        part_name=newest_first[0].inspection.part_name if newest_first else (every[-1].part_name if every else ""),
        revisions=tuple(sorted({inspection.part_revision for inspection in every})),
        columns=tuple(_column(result, index, columns) for index, result in columns),
        rows=tuple(rows),
        statistics=tuple(column_statistics([row.results[index] for row in rows]) for index in range(len(columns))),
        pieces=tuple(pieces),
    )


def column_statistics(results: Iterable[Result | None]) -> Statistics:
    """Number, mean, standard deviation and range of the measured values, and the count of each verdict."""
    present = [result for result in results if result is not None]
    values = [result.value for result in present if result.value is not None]
    counted = Counter(result.verdict for result in present)
    verdicts = {verdict: counted[verdict] for verdict in Verdict if counted[verdict]}
    if not values:
        return Statistics(0, None, None, None, None, verdicts)
    mean = math.fsum(values) / len(values)
    std = None
    if len(values) > 1:
        std = math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1))
    return Statistics(len(values), mean, std, min(values), max(values), verdicts)


def shown_decimals(value: float, decimals: int, lower: float | None, upper: float | None) -> int:
    """Decimals to show a value with, so that rounding never moves it across a limit (at most four more)."""
    for count in range(decimals, decimals + 5):
        rounded = round(value, count)
        if all(
            (rounded < limit) == (value < limit) and (rounded > limit) == (value > limit)
            for limit in (lower, upper)
            if limit is not None
        ):
            return count
    return decimals + 4


def _key(result: Result) -> tuple[object, ...]:
    """What makes two results answers to the same requirement."""
    return (
        result.id,
        result.kind,
        result.unit,
        result.nominal,
        result.lower,
        result.upper,
        result.limits_text,
        result.datum_system,
    )


def _columns(newest_first: Sequence[Attempt]) -> list[tuple[int, Result]]:
    """One example result per requirement, numbered in column order: same ids side by side."""
    seen: dict[tuple[object, ...], Result] = {}
    for attempt in newest_first:
        for result in attempt.inspection.results:
            seen.setdefault(_key(result), result)
    order = {identity: place for place, identity in enumerate(dict.fromkeys(result.id for result in seen.values()))}
    grouped = sorted(seen.values(), key=lambda result: order[result.id])  # stable: newest requirement first
    return list(enumerate(grouped))


def _column(result: Result, index: int, columns: Sequence[tuple[int, Result]]) -> Column:
    version = 1 + sum(1 for i, other in columns if i < index and other.id == result.id)
    return Column(
        id=result.id,
        version=version,
        kind=result.kind,
        title=result.title,
        unit=result.unit,
        decimals=result.decimals,
        nominal=result.nominal,
        lower=result.lower,
        upper=result.upper,
        limits_text=result.limits_text,
        datum_system=result.datum_system or "",
        classification=result.classification,
        where=result.where,
    )
