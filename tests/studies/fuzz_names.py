"""Hostile file names and the small files beside a scan: who a piece is, and what its files are called.

Whatever a name says, no path made of it leaves its folder, none is longer than a file system takes, and what is shown
of it can't act on a screen. What the fields of a name hold stands in the name.
"""

from __future__ import annotations

import os
import random
import re
import tempfile
from functools import cache
from pathlib import Path, PurePosixPath, PureWindowsPath

from runner.intake.choose import choose
from runner.intake.folders import COMPANIONS, LONGEST_BYTES, REASON_SUFFIX, free_names, shown
from runner.intake.piece import KEYS, LONGEST, parse_piece
from runner.pipeline.documents import workbook_path
from runner.pipeline.identity import Identity, identify, safe_name
from runner.recipe.entries import parse_entries
from runner.recipe.load import parse_recipe
from runner.recipe.schema import Recipe
from tests.recipe.test_fuzz import mutate
from tests.studies.fuzz_harness import Answer
from tests.studies.stub import RECIPE

PATTERNS = {
    "ST-1": "{part}_{serial}.*",
    "ST-2": "{serial}-{lot}-{part}-*.*",
    "A": "*_{part}_{lot}_{serial}_{operator}.*",
}
STARTS = ["ST-1_0007.ply", "0007-L3-ST-2-top.stl", "x_A_L3_0007_night.e57", "ST-1_7.ply.piece.yaml"]
BITS = [
    *(
        "/",
        "\\",
        "..",
        "../",
        "..\\",
        ".",
        ":",
        "~",
        "$(x)",
        "`x`",
        "%00",
        "%2e%2e%2f",
        "NUL",
        "CON",
        "aux.ply",
        "COM1",
    ),
    *("\0", "\n", "\r", "\t", "\x1b[2J", "\x7f", "\x85", "\u200b", "\u200e", "\u202e", "\u2066", "\ufeff", "\u2028"),
    *(
        "\ud800",
        "\udcff",
        "\U000e0041",
        "\ue000",
        "А",
        "Ο",
        "０",
        "٣",
        "é",
        "e\u0301",
        "ß",
        "ſ",
        "ı",
        "\u00a0",
        "\u3000",
    ),
    *("=", "+", "-", "@", "=1+1", "<b>", "&amp;", "'", '"', ";", ",", "|", "*", "?", "{serial}", "-rf", "_", " ", "  "),
    *("x" * 240, "é" * 130, "𝟘" * 64, ".ply", ".PLY", ".reason.txt", ".tmp"),
]
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
SIDECAR = 'piece: 1\npart: ST-1\nserial: "0042"\nlot: L7\noperator: night shift\n'
ENTRIES = """\
entries: 1
person: who gauged
results:
  "17": {result: pass, gauge: BH-3, calibrated: 2026-09-30}
  "18": {value: 12.03, gauge: MC-7, calibrated: 2026-08-12, note: twice}
"""
RESERVED = {"con", "prn", "aux", "nul", *(f"{w}{k}" for w in ("com", "lpt") for k in range(1, 10))}
"""Names that one kind of system keeps for devices, with any ending (its documentation)."""


@cache
def recipes() -> dict[Path, Recipe]:
    found: dict[Path, Recipe] = {}
    for number, pattern in PATTERNS.items():
        recipe, problems = parse_recipe(RECIPE.format(number=number, pattern=pattern, more=""), f"{number}.yaml")
        assert recipe is not None, problems
        found[Path(f"{number}.yaml")] = recipe
    return found


@cache
def _folder() -> Path:
    """An empty folder of this process."""
    return Path(tempfile.mkdtemp(prefix=f"fuzz-{os.getpid()}-"))


def case(seed: int, number: int) -> Answer:
    """Put one name, or one file beside a scan, through everything that is made of it."""
    draw = random.Random(seed * 1_000_003 + number)
    sidecar = draw.random() < 0.1
    try:
        if sidecar:
            read, source = draw.choice(((_piece, SIDECAR), (_entries, ENTRIES)))
            text = mutate(source, draw)
            accepted, wrong = read(text)
        else:
            text = name(draw)
            accepted, wrong = _name(text)
    except Exception as error:
        accepted, wrong = False, f"{type(error).__name__}: {error}"
    family = "sidecar" if sidecar else "name"
    if wrong:
        return Answer("finding", family, f"{wrong}: {text!a}"[:400], text.encode("utf-8", "surrogatepass"), ".txt")
    return Answer("accepted" if accepted else "refused", family)


def name(draw: random.Random) -> str:
    """A file name: one that fits a recipe, with a few edits."""
    text = draw.choice(STARTS)
    for _ in range(draw.randint(1, 3)):
        at = draw.randrange(len(text) + 1)
        how = draw.randrange(5)
        if how <= 2:
            text = text[:at] + draw.choice(BITS) + text[at:]
        elif how == 3:
            text = text[:at] + chr(draw.choice([draw.randrange(1, 128), draw.randrange(0x3100)])) + text[at + 1 :]
        else:
            text = text[:at] + text[at + draw.randint(1, 6) :]
    return text or "x"


def _name(text: str) -> tuple[bool, str]:
    found = choose(text, recipes())
    for recipe in recipes().values():
        wrong = _paths(identify(recipe, text), recipe.part.number)
        if wrong:
            return False, wrong
    if not shown(text).isprintable() or len(shown(text)) > 120:
        return False, "what is shown can't be shown"
    if _can_exist(text):
        filed = next(free_names(text, _folder()))
        longest = max(len(suffix) for suffix in (REASON_SUFFIX, *COMPANIONS))
        if PurePosixPath(filed).name != filed or len(os.fsencode(filed)) + longest > LONGEST_BYTES:
            return False, "the name it is filed under"
    if isinstance(found, str):
        return False, ""
    _, identity = found
    for value in (identity.serial, identity.lot, identity.operator):
        if value not in text or not value.isprintable() or value != value.strip() or "/" in value or "\\" in value:
            return True, f"the field {value!a}"
    return True, _paths(identity, "ST-1")


def _can_exist(text: str) -> bool:
    """Whether a file of the system at hand can have this name."""
    try:
        os.fsencode(text)
    except UnicodeEncodeError:
        return False
    return not set(text) & {"/", "\0"} and text not in (".", "..")


def _paths(identity: Identity, part: str) -> str:
    for said in (identity.serial, identity.lot, identity.operator, identity.station):
        made = safe_name(said)
        if not 0 < len(made) <= 80 or not made.isascii() or not made.isprintable():
            return f"safe_name gives {made!a}"
        bare = PurePosixPath(made).name == made == PureWindowsPath(made).name
        if not bare or made.strip(".") != made or made.split(".")[0].lower() in RESERVED:
            return f"safe_name gives {made!a}"
        if workbook_path(said + part, Path("out")).parent != Path("out"):
            return "the workbook leaves its folder"
    return ""


def _piece(text: str) -> tuple[bool, str]:
    found, problems = parse_piece(text, "x.piece.yaml")
    if problems:
        return False, ""
    for key in KEYS:
        value = getattr(found, key)
        if not value.isprintable() or len(value) > LONGEST or " ".join(value.split()) not in _unquoted(text):
            return True, f"{key} is {value!a}"
    chosen = choose("any.ply", recipes(), found)
    return not isinstance(chosen, str), "" if isinstance(chosen, str) else _paths(chosen[1], "ST-1")


def _entries(text: str) -> tuple[bool, str]:
    found, problems = parse_entries(text, "x.entries.yaml", {"17": "go/no-go", "18": "value"})
    if problems:
        return False, ""
    for entry in found.values():
        if entry.value is not None and entry.value not in {float(word) for word in _NUMBER.findall(text)}:
            return True, f"the value {entry.value}"
        for said in (entry.gauge, entry.calibrated, entry.person, entry.note):
            if not said.replace("\n", "").isprintable() or " ".join(said.split()) not in _unquoted(text):
                return True, f"an entry says {said!a}"
    return True, ""


def _unquoted(text: str) -> str:
    """The text with lines folded as the language folds them; None of the pieces writes an escape for a letter."""
    return " ".join(text.replace("''", "'").split())
