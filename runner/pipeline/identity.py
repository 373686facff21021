"""Who a scan is: serial, lot and operator, from its file name by the recipe's pattern."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import PurePath

from runner.recipe.filenames import match
from runner.recipe.schema import Recipe

_DEVICE = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\.|$)", re.IGNORECASE)
"""Names that Windows keeps for devices, whatever ending they have (from its documentation)."""


@dataclass(frozen=True)
class Identity:
    """What a file name or a person says about a piece. Data only: never used as a path as it stands."""

    serial: str
    lot: str = ""
    operator: str = ""
    station: str = ""


def safe_name(text: str, longest: int = 80) -> str:
    """Return ``text`` as a file name that can't leave its folder: letters, digits and ``-_.`` are kept.

    Everything else becomes ``_``; different texts may give the same name, so add a hash where that matters.
    """
    kept = "".join(c if (c.isascii() and (c.isalnum() or c in "-_.")) else "_" for c in text)
    # no point at either end: one hides a file, the other is dropped by some systems
    kept = kept.strip(".")[:longest].rstrip(".") or "_"
    return f"_{kept[: longest - 1]}".rstrip(".") if _DEVICE.match(kept) else kept


def identify(recipe: Recipe, file_name: str, *, serial: str = "", lot: str = "", operator: str = "") -> Identity:
    """Who the piece is: what a person states wins, then the recipe's file name pattern, then the bare name."""
    fields = match(recipe.scan.file_name or "", file_name, {"part": recipe.part.number}) or {}
    return Identity(
        serial=serial or fields.get("serial") or PurePath(file_name).stem,
        lot=lot or fields.get("lot", ""),
        operator=operator or fields.get("operator", ""),
        station=fields.get("station", ""),
    )
