"""Which rows of the standards' tables rest on more than memory (../shared/reference says where each was seen).

IT5 to IT8 and the linear class m of ISO 2768-1 were also read from stored public pages; the positions H, h and JS have
a deviation that follows from the grade alone. Everything else is from memory, and is marked wherever it is used.
"""

from __future__ import annotations

import re

from runner.recipe.limits import Limits

GRADES = range(5, 9)
POSITIONS = ("h", "js")
CLASSES = ("m",)


def unconfirmed(limits: Limits) -> bool:
    """Return whether limits come from a table row that is known from memory only."""
    if limits.form == "fit":
        found = re.search(r"([A-Za-z]{1,2})(\d{1,2})$", limits.text)
        return found is None or found[1].lower() not in POSITIONS or int(found[2]) not in GRADES
    if limits.form == "general":
        return bool(limits.general_class) or limits.text[-1:] not in CLASSES
    return False
