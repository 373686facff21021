"""The fingerprint of a recipe: over what it says, not how it is written, and over the nominal's bytes."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from runner.recipe.defaults import as_data, resolve
from runner.recipe.scalars import number_text
from runner.recipe.schema import Recipe


def canonical(recipe: Recipe) -> str:
    """Return the resolved content as canonical JSON: keys sorted, numbers in their shortest form."""
    return json.dumps(_tidy(as_data(resolve(recipe))), sort_keys=True, ensure_ascii=True, separators=(",", ":"))


def _tidy(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _tidy(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_tidy(one) for one in value]
    if isinstance(value, bool):
        return value
    if isinstance(value, int | float):
        # as text, so that 12 and 12.0 are one number and no JSON writer can differ
        return "number " + number_text(float(value) + 0.0)
    return value


def fingerprint(recipe: Recipe, nominal_sha256: str) -> str:
    """Return the SHA-256, as 64 hexadecimal digits, over resolved content, the nominal's hash and the point lists.

    Comments, order of keys, spelling of symbols and whether a default was written out make no difference.
    """
    text = f"recipe {canonical(recipe)}\nnominal {nominal_sha256}\n"
    for name, table in sorted(recipe.source.tables.items()):
        text += f"points {json.dumps(name)} {table.sha256}\n"
    return hashlib.sha256(text.encode()).hexdigest()
