"""Whole outputs compared with stored ones.

A mismatch saves the new output beside the stored one as ``name.new.json``. To accept it, look at the difference and
rename the new file over the old one.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

GOLD = Path(__file__).resolve().parent.parent / "gold"


def assert_gold(name: str, found: Any) -> None:
    """Compare JSON values with ``tests/gold/name.json``."""
    stored = GOLD / f"{name}.json"
    text = json.dumps(found, indent=1, ensure_ascii=False) + "\n"
    new = GOLD / f"{name}.new.json"
    if stored.exists() and stored.read_text(encoding="utf-8") == text:
        new.unlink(missing_ok=True)
        return
    new.write_text(text, encoding="utf-8")
    raise AssertionError(f"{name} differs from tests/gold/{name}.json; the new output is {new.name} beside it")
