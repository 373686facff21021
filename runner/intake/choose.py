"""Which recipe is meant by a scan's file name, or by the small file beside it, and which piece it shows."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from runner.diagnostics import RecipeError
from runner.intake.piece import PieceFile
from runner.pipeline.identity import Identity
from runner.recipe.defaults import resolve
from runner.recipe.filenames import match
from runner.recipe.load import load_recipe
from runner.recipe.schema import Recipe


def load_recipes(folder: Path) -> tuple[dict[Path, Recipe], dict[Path, str]]:
    """Return the sound recipes of a folder, and for each broken one why it can't be used."""
    sound: dict[Path, Recipe] = {}
    broken: dict[Path, str] = {}
    for path in sorted(folder.glob("*.yaml")):
        try:
            sound[path] = resolve(load_recipe(path))
        except RecipeError as error:
            broken[path] = str(error)
    return sound, broken


def choose(
    file_name: str, recipes: Mapping[Path, Recipe], piece: PieceFile | None = None
) -> tuple[Path, Identity] | str:
    """Return the one recipe that fits ``file_name`` with who the piece is, or the reason why there is none.

    ``piece`` is what the file beside the scan says: it adds what the name does not carry. It names the part where the
    name fits no recipe. Where both say something and differ, that is a reason too.
    """
    piece = piece or PieceFile()
    fitting: list[tuple[Path, dict[str, str]]] = []
    for path, recipe in recipes.items():
        fields = match(recipe.scan.file_name or "", file_name, {"part": recipe.part.number})
        if fields is not None:
            fitting.append((path, {**fields, "part": recipe.part.number}))
    if not fitting and piece.part and piece.serial:
        named = [(path, r) for path, r in recipes.items() if r.part.number.casefold() == piece.part.casefold()]
        fitting = [(path, {"part": r.part.number}) for path, r in named]
        if not fitting:
            return f"the piece file names part {piece.part!r}, and no recipe here is for it"
    if len(fitting) == 1:
        return _identified(*fitting[0], piece, recipes)
    if not fitting:
        patterns = ", ".join(f"{r.scan.file_name!r} ({r.part.number})" for r in recipes.values()) or "none"
        return f"no recipe's file name pattern fits; patterns known here: {patterns}"
    return "the file name fits more than one recipe: " + ", ".join(path.name for path, _ in fitting)


def _identified(
    path: Path, fields: dict[str, str], piece: PieceFile, recipes: Mapping[Path, Recipe]
) -> tuple[Path, Identity] | str:
    """Put name and piece file together, or say where they contradict each other."""
    said = {"part": piece.part, "serial": piece.serial, "lot": piece.lot, "operator": piece.operator}
    for key, stated in said.items():
        named = fields.get(key, "")
        same = stated.casefold() == named.casefold() if key == "part" else stated == named
        if stated and named and not same:
            return f"the file name says {key} {named!r}, the piece file beside it says {stated!r}"
    found = {key: fields.get(key) or said.get(key, "") for key in ("serial", "lot", "operator")}
    if not found["serial"]:
        return f"the file name gives no serial by the pattern {recipes[path].scan.file_name!r}"
    return path, Identity(found["serial"], found["lot"], found["operator"], fields.get("station", ""))


@dataclass
class RecipeBook:
    """The recipes of a folder, read again when a file changed and has come to rest."""

    folder: Path
    quiet_s: float = 1.0
    clock: Callable[[], float] = time.monotonic
    recipes: dict[Path, Recipe] = field(default_factory=dict)
    broken: dict[Path, str] = field(default_factory=dict)
    _loaded: dict[Path, tuple[int, int]] = field(default_factory=dict)
    _new: dict[Path, tuple[int, int]] = field(default_factory=dict)
    _since: float = 0.0

    def __post_init__(self) -> None:
        self._loaded = self._state()
        self.recipes, self.broken = load_recipes(self.folder)

    def refresh(self) -> bool:
        """Read the folder again if it changed and nobody is writing in it; True when the recipes are new.

        A recipe that is being saved is not read half: until it has rested, the ones read before stay in force.
        """
        state = self._state()
        if state == self._loaded:
            return False
        if state != self._new:
            self._new, self._since = state, self.clock()
            return False
        if self.clock() - self._since < self.quiet_s:
            return False
        self._loaded = state
        sound, broken = load_recipes(self.folder)
        self.recipes.clear()  # the same mappings, which others hold
        self.recipes.update(sound)
        self.broken.clear()
        self.broken.update(broken)
        return True

    def _state(self) -> dict[Path, tuple[int, int]]:
        """Sizes and times of everything in the folder: point lists and nominals belong to the recipes."""
        found: dict[Path, tuple[int, int]] = {}
        try:
            paths = list(self.folder.iterdir())
        except OSError:
            return self._loaded  # a share that is away for a moment takes no recipe away
        for path in paths:
            try:
                status = path.stat()
            except OSError:
                continue
            found[path] = (status.st_size, status.st_mtime_ns)
        return found
