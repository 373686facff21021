"""Lists of surface and edge points from CSV files, drawing's unit; every bad row is a problem with file and line."""

from __future__ import annotations

import csv
import hashlib
import io
import math
from dataclasses import dataclass, field
from pathlib import Path

from runner.diagnostics import Problem
from runner.recipe.scalars import Refused, nearest, parse_name, parse_number
from runner.recipe.text import Text, visible

SURFACE_COLUMNS = ("name", "x", "y", "z", "i", "j", "k", "lower", "upper")
EDGE_COLUMNS = ("name", "x", "y", "z", "i", "j", "k", "u", "v", "w", "lower", "upper")
MOST_ROWS = 20_000
MOST_BYTES = 8_000_000
MOST_PROBLEMS = 50

Triple = tuple[float, float, float]


@dataclass(frozen=True)
class PointRow:
    """One row, in the drawing's unit."""

    name: str
    at: Triple
    direction: Triple
    normal: Triple | None
    lower: float
    upper: float


@dataclass(frozen=True)
class PointTable:
    """A file's rows with the hash of its bytes."""

    sha256: str
    rows: tuple[PointRow, ...] = field(default=())


def read_points(path: Path, shown: str, edges: bool) -> tuple[PointTable | None, list[Problem]]:
    """Return the points in a CSV file and all problems of its rows; ``shown`` is the file's name in the problems."""
    columns = EDGE_COLUMNS if edges else SURFACE_COLUMNS
    allowed = "a comma-separated text with the columns " + ", ".join(columns)
    try:
        with path.open("rb") as stream:
            content = stream.read(MOST_BYTES + 1)
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        return None, [Problem(shown, line, 0, "points", "is not UTF-8", allowed)]
    except OSError as error:
        return None, [Problem(shown, 0, 0, "points", f"can't be read: {error.strerror or error}", allowed)]
    if len(content) > MOST_BYTES:
        return None, [Problem(shown, 0, 0, "points", f"is larger than {MOST_BYTES} bytes", allowed)]
    lines = csv.reader(io.StringIO(text, newline=""))
    problems: list[Problem] = []
    rows: list[PointRow] = []
    names: dict[str, int] = {}
    head: list[str] | None = None
    try:
        for cells in lines:
            if not any(cell.strip() for cell in cells):
                continue
            at = lines.line_num
            if head is None:
                head = [cell.strip().lower() for cell in cells]
                problems += _head(shown, at, head, columns, text)
                if problems:
                    return None, problems
                continue
            if len(rows) >= MOST_ROWS or len(problems) >= MOST_PROBLEMS:
                said = f"more than {MOST_ROWS} rows" if len(rows) >= MOST_ROWS else "further rows are not looked at"
                problems.append(Problem(shown, at, 0, "points", said))
                break
            try:
                row = _row(head, cells)
            except Refused as error:
                problems.append(_problem(shown, at, error, cells))
                continue
            earlier = names.setdefault(row.name.lower(), at)
            if earlier != at:
                again = Refused(f'name: "{row.name}" stands in line {earlier} already', "each name once")
                problems.append(_problem(shown, at, again, cells))
            rows.append(row)
    except csv.Error as error:
        problems.append(Problem(shown, lines.line_num, 0, "points", f"is no CSV: {error}", allowed))
    if not problems and not rows:
        problems.append(Problem(shown, 1, 0, "points", "holds no point", allowed))
    return (None if problems else PointTable(hashlib.sha256(content).hexdigest(), tuple(rows))), problems


def _problem(file: str, line: int, error: Refused, cells: list[str]) -> Problem:
    excerpt = visible(",".join(cells), 120)
    return Problem(file, line, 0, "points", error.message, error.allowed, error.suggestion, excerpt)


def _head(file: str, line: int, head: list[str], columns: tuple[str, ...], text: str) -> list[Problem]:
    """Return the problems of the first row."""
    allowed = ",".join(columns)
    if len(head) == 1 and (";" in head[0] or "\t" in head[0]):
        return [Problem(file, line, 0, "points", "the columns are not separated by commas", allowed)]
    problems = []
    for name in columns:
        if head.count(name) != 1:
            said = f'the column "{name}" ' + ("is missing" if name not in head else "stands twice")
            problems.append(Problem(file, line, 0, "points", said, allowed, excerpt=visible(",".join(head), 120)))
    for name in head:
        if name not in columns:
            said = f'unknown column "{visible(name, 40)}"'
            problems.append(Problem(file, line, 0, "points", said, allowed, nearest(name, columns)))
    return problems


def _row(head: list[str], cells: list[str]) -> PointRow:
    """Return one row, or raise ``Refused``."""
    if len(cells) != len(head):
        raise Refused(f"{len(cells)} cells where {len(head)} belong", ",".join(head))
    cell = {name: Text(value.strip()) for name, value in zip(head, cells, strict=True)}

    def number(name: str) -> float:
        try:
            return float(parse_number(cell[name]))
        except Refused as error:
            raise Refused(f"{name}: {error.message}", error.allowed, error.suggestion) from None

    def direction(names: str) -> Triple:
        x, y, z = (number(name) for name in names)
        if not math.hypot(x, y, z) > 1e-9:
            raise Refused(f"{', '.join(names)}: a direction must not be 0, 0, 0", "a direction")
        return x, y, z

    try:
        name = parse_name(cell["name"])
    except Refused as error:
        raise Refused(f"name: {error.message}", error.allowed, error.suggestion) from None
    lower, upper = number("lower"), number("upper")
    if not lower < upper:
        raise Refused("lower: the lower limit is not below the upper limit", "lower below upper")
    outward, normal = direction("ijk"), direction("uvw") if "u" in cell else None
    if normal is not None:
        lean = sum(a * b for a, b in zip(outward, normal, strict=True)) / (math.hypot(*outward) * math.hypot(*normal))
        if abs(lean) > 0.02:
            raise Refused("u, v, w: the sheet's normal is not square to i, j, k", "a normal square to the way outward")
    return PointRow(name, (number("x"), number("y"), number("z")), outward, normal, lower, upper)
