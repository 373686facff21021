"""The recipe as a whole."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, PlainValidator, PrivateAttr, WithJsonSchema

from runner.recipe.alignment import Alignment
from runner.recipe.base import Section
from runner.recipe.characteristics import AnyCharacteristic
from runner.recipe.datums import Datum
from runner.recipe.features import AnyFeature
from runner.recipe.frames import System
from runner.recipe.pointlists import PointTable
from runner.recipe.scalars import CharacteristicId, DatumLabel, Name, Refused, shown
from runner.recipe.sections import (
    Decision,
    Defaults,
    Drawing,
    NominalFile,
    Outputs,
    Part,
    PartState,
    Scan,
    Sheet,
)
from runner.records import Origin

VERSION = 1
RESERVED: dict[tuple[str, ...], str] = {
    ("mirror",): "a recipe for the mirrored twin is reserved for a later version",
}
"""Keys that a later version will define; refused now with these words."""


def parse_version(value: Any) -> int:
    """Return the language version of a recipe, which this program must know."""
    if str(value) == str(VERSION) and not getattr(value, "quoted", False):
        return VERSION
    raise Refused(f"{shown(value)} is no version of the recipe language known here", f"recipe: {VERSION}")


@dataclass(frozen=True)
class Source:
    """Where a recipe came from: file, text, and the line of everything in it that has a name."""

    file: str = ""
    text: str = ""
    folder: Path | None = None
    lines: dict[tuple[str, ...], int] = field(default_factory=dict)
    tables: dict[str, PointTable] = field(default_factory=dict)
    """Point lists by the file name that the recipe writes; read when the recipe is loaded from its file."""

    def origin(self, *path: str) -> Origin | None:
        """Return file and line of an object by its path, e.g. ``("features", "base")``."""
        line = self.lines.get(path)
        return None if line is None else Origin(self.file, line)


class Recipe(Section):
    """One inspection recipe: part, drawing, nominal, scan, alignment, features, datums, characteristics, decision."""

    recipe: Annotated[int, PlainValidator(parse_version), WithJsonSchema({"const": VERSION})] = Field(
        description="Version of the recipe language: 1."
    )
    part: Part = Field(description="Which part is inspected.")
    drawing: Drawing = Field(description="What the drawing states for the whole part.")
    part_state: PartState | None = Field(default=None, description="The state in which the part is measured.")
    nominal: NominalFile = Field(description="The design geometry.")
    sheet: Sheet | None = Field(default=None, description="For parts made of sheet.")
    scan: Scan = Field(description="How scans come in.")
    alignment: Alignment | None = Field(default=None, description="How a scan is brought into the nominal's frame.")
    defaults: Defaults | None = Field(default=None, description="Values stated once for many.")
    features: dict[Name, AnyFeature] = Field(description="Features by name.")
    datums: dict[DatumLabel, Datum] | None = Field(default=None, description="Datums by label.")
    datum_systems: (
        dict[
            Name,
            System,
        ]
        | None
    ) = Field(
        default=None,
        description="Datum systems by name: datums in their order, [A, B, C] or A|B|C; a common datum is A-B, "
        "><B gives directions only, BⓂ stands at maximum material. Or {of: [A, B], orientation only: [B]}.",
    )
    characteristics: dict[CharacteristicId, AnyCharacteristic] = Field(
        description="Characteristics by id (the drawing's balloon number), always in quotes."
    )
    decision: Decision = Field(description="How uncertainty enters the verdict.")
    outputs: Outputs | None = Field(default=None, description="What is written.")

    _source: Source = PrivateAttr(default_factory=Source)

    @property
    def source(self) -> Source:
        """Where this recipe came from."""
        return self._source

    def with_source(self, source: Source) -> Recipe:
        """Return the same recipe, knowing where it came from."""
        made = self.model_copy()
        made._source = source
        return made

    @property
    def nominal_path(self) -> Path:
        """The nominal's file; a relative path counts from the recipe's folder."""
        return (self._source.folder or Path()) / self.nominal.file

    @property
    def millimetres(self) -> float:
        """How many millimetres one drawing unit has."""
        return 25.4 if self.drawing.units == "in" else 1.0
