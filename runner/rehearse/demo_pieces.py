"""The demo's twelve pieces: what each was made like, how it was scanned, and what must come out."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from runner.records import Outcome, Verdict
from runner.rehearse.demo_parts import BearingHousing, MastBracket
from runner.rehearse.demo_truth import TrueValue, bracket_truth, housing_truth
from runner.rehearse.settings import ScannerSettings

BRACKET_NUMBER, HOUSING_NUMBER = "WV-210", "WV-315"
RECIPES = {BRACKET_NUMBER: "mast-bracket.yaml", HOUSING_NUMBER: "bearing-housing.yaml"}
"""Recipe of each part number, in the folder recipes/."""

_SCAN = ScannerSettings(
    noise=0.010,
    stripe_spacing=0.45,
    point_spacing=0.45,
    layers=4,
    specks=0.002,
    fixture_gap=12.0,
    edge_reach=0.02,
    edge_loss=0.5,
)
CLOUD = replace(_SCAN, output="cloud", normals="signed")
# without normals nothing tells a sheet's lower side from a table flush with it: such pieces stand on pads
BARE = replace(_SCAN, output="cloud", normals="none", shuffle=True, table_gap=8.0)
MESH = replace(_SCAN, output="mesh", layers=1, stripe_spacing=0.4, point_spacing=0.25)


@dataclass(frozen=True)
class Piece:
    """One serial of the demo."""

    serial: str
    made: MastBracket | BearingHousing
    scanned: ScannerSettings
    suffix: str
    because: str = ""
    """What was done to it, in words; empty for a good piece."""
    fails: tuple[str, ...] = field(default=())
    """Ids of the characteristics that do not conform."""
    seen_up_to_x: float | None = None
    """The scan ends here: nothing of the part beyond this x was seen."""

    @property
    def part_number(self) -> str:
        """Part number as in the recipe."""
        return BRACKET_NUMBER if isinstance(self.made, MastBracket) else HOUSING_NUMBER

    @property
    def file_name(self) -> str:
        """Name of its scan, as the recipe's pattern has it."""
        return f"{self.part_number}_{self.serial}{self.suffix}"

    @property
    def entries(self) -> str:
        """What a person entered beside its scan: the thread plug gauge of a housing passed."""
        if isinstance(self.made, MastBracket):
            return ""
        return 'entries: 1\nperson: the demo\nresults:\n  "20": {result: pass, gauge: TG-08, calibrated: 2026-09-30}\n'

    @property
    def truth(self) -> dict[str, TrueValue]:
        """What its results must say, by characteristic id. Of a bad scan nothing is expected."""
        values = bracket_truth(self.made) if isinstance(self.made, MastBracket) else housing_truth(self.made)
        if self.seen_up_to_x is not None:
            return {name: TrueValue(None, None) for name in values}
        return values

    @property
    def outcome(self) -> Outcome:
        """What must be proposed: by the parameters alone."""
        verdicts = [value.verdict for value in self.truth.values()]
        if Verdict.DOES_NOT_CONFORM in verdicts:
            return Outcome.REJECT
        if self.seen_up_to_x is not None or Verdict.NOT_MEASURED in verdicts:
            return Outcome.HOLD
        return Outcome.ACCEPT


def _moved(
    places: tuple[tuple[float, float], ...], index: int, dx: float, dy: float
) -> tuple[tuple[float, float], ...]:
    return tuple((x + dx, y + dy) if k == index else (x, y) for k, (x, y) in enumerate(places))


_GOOD_BRACKET = MastBracket(thickness=1.98, mast_diameter=16.1, slot_width=8.1, base_diameter=6.7, flange_diameter=9.1)
_GOOD_HOUSING = BearingHousing(
    bore_diameter=35.012, seat_diameter=47.02, dowel_diameter=8.0075, bolt_diameters=(9.1, 9.1, 9.1, 9.1)
)

PIECES: tuple[Piece, ...] = (
    Piece(
        "B0001",
        replace(_GOOD_BRACKET, main_angle=90.2, base_holes=_moved(MastBracket().base_holes, 0, 0.06, 0.08)),
        replace(CLOUD, seed=1, fixtures=1),
        ".ply",
    ),
    Piece(
        "B0002",
        replace(_GOOD_BRACKET, thickness=2.03, slot=(108.1, 28.0), slot_length=20.08),
        replace(MESH, seed=2, fixtures=2, patches=1, patch_radius=4.0),
        ".ply",
    ),
    Piece(
        "B0003",
        replace(_GOOD_BRACKET, flange_holes=_moved(MastBracket().flange_holes, 1, 0.55, 0.0)),
        replace(BARE, seed=3),
        ".xyz",
        "flange hole 2 drilled 0.55 mm off along x",
        ("13",),
    ),
    Piece(
        "B0004",
        replace(_GOOD_BRACKET, main_angle=88.6),
        replace(MESH, seed=4),
        ".stl",
        "main flange bent 1.4 degrees too little",
        ("9", "10", "16"),
    ),
    Piece(
        "B0005",
        replace(_GOOD_BRACKET, thickness=1.86),
        replace(CLOUD, seed=5, fixtures=1, correlated_noise=0.001),
        ".ply",
        "sheet 0.14 mm too thin",
        ("2",),
    ),
    Piece(
        "B0006",
        _GOOD_BRACKET,
        replace(BARE, seed=6, mode="on table"),
        ".xyz",
        "scanned from above only, and the scan was stopped half way along the part",
        (),
        seen_up_to_x=78.0,
    ),
    Piece("H0001", _GOOD_HOUSING, replace(CLOUD, seed=11, fixtures=2), ".ply"),
    Piece(
        "H0002",
        replace(_GOOD_HOUSING, height=52.03, small_boss_height=19.95, pad_reach=41.04),
        replace(MESH, seed=12, fixtures=1),
        ".stl",
    ),
    Piece(
        "H0003",
        replace(_GOOD_HOUSING, bore_diameter=35.07),
        replace(MESH, seed=13),
        ".ply",
        "bore 0.045 mm over its upper limit",
        ("2",),
    ),
    Piece(
        "H0004",
        replace(_GOOD_HOUSING, bolt_holes=_moved(BearingHousing().bolt_holes, 1, 0.21, -0.28)),
        replace(BARE, seed=14, fixtures=1),
        ".xyz",
        "bolt hole 2 drilled 0.35 mm off: 0.7 against 0.4 with its bonus",
        ("12",),
    ),
    Piece(
        "H0005",
        replace(
            _GOOD_HOUSING,
            bolt_holes=_moved(BearingHousing().bolt_holes, 2, 0.18, 0.0),
            bolt_diameters=(9.1, 9.1, 9.17, 9.1),
        ),
        replace(CLOUD, seed=15, patches=2, patch_radius=4.0),
        ".ply",
        "bolt hole 3 is 0.18 mm off: 0.36 is more than 0.3, and its bonus of 0.17 lets it pass",
    ),
    Piece(
        "H0006",
        replace(_GOOD_HOUSING, top_tilt=0.14),
        replace(MESH, seed=16, correlated_noise=0.001),
        ".ply",
        "top milled 0.14 degrees out of parallel",
        ("10",),
    ),
)


def demo_truth() -> dict[str, dict[str, TrueValue]]:
    """Return what each serial's results must say, by serial and characteristic id."""
    found = {piece.serial: piece.truth for piece in PIECES}
    for piece in PIECES:
        failing = tuple(k for k, v in found[piece.serial].items() if v.verdict is Verdict.DOES_NOT_CONFORM)
        if failing != piece.fails:
            raise AssertionError(f"{piece.serial} is said to fail {piece.fails}, its parameters make it fail {failing}")
    return found
