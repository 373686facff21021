"""The inspection file: one inspection as JSON, by the published schema."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path
from typing import Any

from runner.diagnostics import InputError
from runner.records import Inspection
from runner.records_io import inspection_from_json, to_json
from runner.report.atomic import Written, write_bytes


def write_json(path: Path, inspection: Inspection) -> Written:
    """Write one inspection, indented, so that a person can read it too."""
    return write_bytes(path, json_text(inspection).encode("ascii"))


def json_text(inspection: Inspection) -> str:
    """The text of an inspection file: ASCII, so that no program can read it in a wrong encoding."""
    return json.dumps(to_json(inspection), indent=1, allow_nan=False) + "\n"


def read_json(path: Path) -> Inspection:
    """Read an inspection file; ``InputError`` naming the field that does not fit."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(str(path), f"not readable as JSON: {error}") from None
    return inspection_from_json(data, str(path))


def stored_schema() -> dict[str, Any]:
    """The published JSON Schema, as packaged beside this module."""
    text = resources.files("runner.report").joinpath("inspection.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema
