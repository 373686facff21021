"""Plain data to YAML that reads like a recipe: one entry a line, ids and doubtful texts in quotes."""

from __future__ import annotations

import json
import re
from typing import Any

from runner.recipe.scalars import written_text

_PLAIN = re.compile(r"^[^\W_](?:[\w .()+'°±Ø/%*-]*[\w.)°%*'])?$")
_BARE_NUMBER = re.compile(r"^[+-]?[\d.,eE+-]+$")
_ONE_LINE = ("part", "drawing", "part state", "nominal", "sheet", "decision", "outputs")
_BY_ENTRY = ("features", "datums", "datum systems", "characteristics")


def emit(data: dict[str, Any]) -> str:
    """Return data as YAML text."""
    lines: list[str] = []
    for section, value in data.items():
        if not isinstance(value, dict) or section in _ONE_LINE:
            lines.append(f"{section}: {flow(value)}")
            continue
        lines.append(f"{section}:")
        for key, entry in value.items():
            lines.append(f"  {_key(key, section == 'characteristics')}: {flow(entry)}")
    return "\n".join(lines) + "\n"


def flow(value: Any) -> str:
    """Return a value on one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(str(k))}: {flow(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(flow(item) for item in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return written_text(value)
    return text(str(value))


def text(value: str) -> str:
    """Return a text plain where YAML reads it back alike, otherwise in double quotes."""
    if _PLAIN.match(value) and value == " ".join(value.split()) and not _BARE_NUMBER.match(value):
        return value
    return json.dumps(value, ensure_ascii=False)


def _key(key: str, quoted: bool = False) -> str:
    return json.dumps(key, ensure_ascii=False) if quoted else text(key)
