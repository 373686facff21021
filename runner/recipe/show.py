"""Problems as lines of text, without colour."""

from __future__ import annotations

from collections.abc import Iterable

from runner.diagnostics import Problem


def problem_text(problem: Problem) -> str:
    """Return one problem as two or three lines: where and what, the line of the file, what was allowed."""
    place = f"{problem.file}:{problem.line}:{problem.column}" if problem.line else problem.file
    word = "warning: " if problem.severity == "warning" else ""
    lines = [f"{place}  {word}{problem.where}: {problem.message}"]
    if problem.excerpt:
        lines.append(f"  {problem.line:>5} | {problem.excerpt}")
    hint = ""
    if problem.allowed:
        hint = f"allowed {problem.allowed}" if problem.allowed.startswith("for ") else f"allowed: {problem.allowed}"
    hint = "      ".join(part for part in (hint, problem.suggestion) if part)
    if hint:
        lines.append(f"   {hint}")
    return "\n".join(lines)


def problems_text(problems: Iterable[Problem]) -> str:
    """Return all problems, sorted by line, with their number at the end; an empty text for none."""
    ordered = sorted(problems, key=lambda p: (p.file, p.line, p.column))
    if not ordered:
        return ""
    errors = sum(p.severity == "error" for p in ordered)
    warnings = len(ordered) - errors
    counted = [f"{n} {word}{'' if n == 1 else 's'}" for n, word in ((errors, "problem"), (warnings, "warning")) if n]
    return "\n".join([*(problem_text(p) for p in ordered), " and ".join(counted) + " in this recipe."]) + "\n"
