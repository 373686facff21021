"""Frozen values that pass between the rooms and into the ledger.

Everything here is plain Python (strings, numbers, tuples, other records), so that a record can be
written to JSON, hashed and read back without loss. Lengths are millimetres, angles radians, times UTC in
ISO 8601. A value that does not exist is ``None`` and has a reason beside it; NaN never enters a record.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

Vector = tuple[float, float, float]
Matrix = tuple[tuple[float, ...], ...]
"""A 4 x 4 homogeneous matrix, row by row."""


class Verdict(StrEnum):
    """What is decided about one characteristic."""

    CONFORMS = "conforms"
    DOES_NOT_CONFORM = "does not conform"
    UNDECIDED = "undecided"
    NOT_MEASURED = "not measured"
    INFORMATION = "information"
    """Reported without a limit, hence without a decision."""


class Outcome(StrEnum):
    """What is proposed for the part."""

    ACCEPT = "accept"
    REJECT = "reject"
    HOLD = "hold"


class PoseStatus(StrEnum):
    """How an alignment ended."""

    ALIGNED = "aligned"
    AMBIGUOUS = "ambiguous"
    NOT_ALIGNED = "not aligned"


@dataclass(frozen=True)
class Origin:
    """Where in a recipe something was written; lines count from 1."""

    file: str
    line: int


@dataclass(frozen=True)
class Uncertainty:
    """Standard uncertainty of a value with what it is made of (JCGM 100)."""

    standard: float
    expanded: float
    coverage_factor: float
    source: str
    """``stated in the recipe`` or ``computed``."""
    contributions: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class MeasuredFeature:
    """A feature as found on the scan, in the nominal frame after alignment.

    ``parameters`` holds the numbers of the element by name: vectors as 3-tuples (``centre``, ``axis``,
    ``point``, ``normal``, ``direction``, ``along``), scalars in mm or rad (``radius``, ``length``, ``width``,
    ``half_angle``). When the feature could not be measured, ``parameters`` is empty and ``reason`` says why.
    """

    name: str
    kind: str
    source: str
    """``surface``, ``edges``, ``constructed`` or ``entered``."""
    parameters: Mapping[str, float | Vector]
    points: int
    rejected: int
    coverage: float | None
    """Share of the nominal extent that carries points, 0 to 1."""
    rms: float | None
    reason: str = ""
    notes: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        """Whether the feature was measured."""
        return not self.reason


@dataclass(frozen=True)
class PartResult:
    """One member of a pattern, or one surface region, inside a result."""

    name: str
    value: float | None
    deviation: float | None
    verdict: Verdict
    reason: str = ""
    details: Mapping[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True)
class Result:
    """The result of one characteristic.

    ``value``, ``nominal``, ``lower``, ``upper``, ``deviation`` and the uncertainty are in ``unit``
    (``mm``, ``in`` or ``deg``): the drawing's own unit, ready to print.
    """

    id: str
    kind: str
    title: str
    """One plain sentence saying what is asked."""
    features: tuple[str, ...]
    unit: str
    decimals: int
    nominal: float | None
    lower: float | None
    upper: float | None
    limits_text: str
    """The requirement as the drawing writes it."""
    value: float | None
    deviation: float | None
    verdict: Verdict
    reason: str = ""
    uncertainty: Uncertainty | None = None
    points: int = 0
    coverage: float | None = None
    datum_system: str | None = None
    classification: str = ""
    """``key``, ``critical`` ... as the drawing classes it."""
    where: str = ""
    """Sheet and zone on the drawing."""
    details: Mapping[str, float | str] = field(default_factory=dict)
    parts: tuple[PartResult, ...] = ()
    origin: Origin | None = None


@dataclass(frozen=True)
class ScanFile:
    """One incoming file."""

    name: str
    sha256: str
    size_bytes: int
    points: int
    triangles: int
    unit: str


@dataclass(frozen=True)
class PoseRecord:
    """The pose of one scan and why it is believed, or why not."""

    scan_sha256: str
    status: PoseStatus
    method: str
    nominal_from_scan: Matrix | None
    reason: str = ""
    advice: str = ""
    """What the operator should do when the pose is not proven."""
    evidence: Mapping[str, float | str] = field(default_factory=dict)
    rivals: tuple[Matrix, ...] = ()
    removed: Mapping[str, int] = field(default_factory=dict)
    """Points removed by kind (``table``, ``fixture``, ``speck`` ...)."""


@dataclass(frozen=True)
class DatumRecord:
    """A datum system as established on this part."""

    name: str
    datums: tuple[str, ...]
    drawing_from_fit: Matrix | None
    """Moves points of the fitted nominal frame into the frame that the datums give."""
    free: tuple[str, ...] = ()
    """Degrees of freedom that no datum holds: ``x y z`` translations, ``rx ry rz`` rotations, of the nominal frame."""
    reason: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class OverlapRecord:
    """How well two scans of one part agree where both saw the same surface.

    Compared cell by cell of the nominal's faces: ``second`` less ``first``, mm, + where the second lies farther out of
    the material. Figures are None where the two have no surface in common; ``note`` then says so.
    """

    first: str
    """File name of a scan."""
    second: str
    first_sha256: str
    second_sha256: str
    area: float
    """mm^2 of the nominal that both saw."""
    cells: int
    mean: float | None = None
    rms: float | None = None
    largest: float | None = None
    """Exceeded, in absolute value, by one cell in a hundred only."""
    region: float | None = None
    """The largest median difference over one region: a stretch of one face."""
    at: Vector | None = None
    """Where that region is, nominal frame."""
    limit: float | None = None
    """What ``region`` may be, in absolute value."""
    note: str = ""

    @property
    def agrees(self) -> bool:
        """Whether nothing speaks against measuring the two scans together."""
        return self.region is None or self.limit is None or abs(self.region) <= self.limit


@dataclass(frozen=True)
class Provenance:
    """Everything needed to say where a number came from."""

    recipe_file: str
    recipe_fingerprint: str
    recipe_text: str
    recipe_status: str
    """``released`` or ``unreleased`` when it was measured (``draft`` in inspections of earlier versions)."""
    nominal_file: str
    nominal_sha256: str
    scan_set_sha256: str
    versions: Mapping[str, str]
    started_utc: str
    finished_utc: str
    operator: str = ""
    station: str = ""
    seconds: Mapping[str, float] = field(default_factory=dict)
    faults: tuple[str, ...] = ()
    """Faults of the program met on the way, one line each: what, error, place in the program."""


@dataclass(frozen=True)
class Inspection:
    """One recipe applied to one scan or scan set. Immutable."""

    id: str
    part_number: str
    part_revision: str
    part_name: str
    serial: str
    lot: str
    outcome: Outcome
    reason: str
    """One line: why not accept; empty on accept."""
    advice: str
    scans: tuple[ScanFile, ...]
    poses: tuple[PoseRecord, ...]
    datum_systems: tuple[DatumRecord, ...]
    features: tuple[MeasuredFeature, ...]
    results: tuple[Result, ...]
    provenance: Provenance
    deviation_map_sha256: str = ""
    picture: str = ""
    """File name of the deviation picture, relative to the output folder."""
    overlaps: tuple[OverlapRecord, ...] = ()
    """Scan sets: every pair of scans, compared where both saw the same surface."""
    format: int = 1


@dataclass(frozen=True)
class Attempt:
    """One inspection of one piece as the ledger has it: the inspection with its place among the others.

    ``inspection`` carries the corrected serial and lot when an entry corrected them; ``notes`` then says so.
    """

    inspection: Inspection
    number: int
    """1 for the first inspection of this piece; void ones are counted too."""
    sequence: int
    """Number of the ledger entry."""
    created_utc: str
    entry_hash: str
    standing: bool
    """Whether this is the attempt that counts."""
    void: str = ""
    """Why it does not count at all, and who said so; empty for a valid attempt."""
    notes: tuple[str, ...] = ()
    """Decisions and corrections that concern it, one sentence each."""
    release: str = ""
    """``released`` or ``unreleased`` as the ledger's entries say; empty where no ledger was asked."""
    release_note: str = ""
    """Who released what made it, when and why; or why it counts as unreleased."""

    @property
    def release_word(self) -> str:
        """``released`` or ``unreleased``, for documents: an unreleased outcome is no basis for using the part."""
        if self.release:
            return self.release
        return "released" if self.inspection.provenance.recipe_status == "released" else "unreleased"


@dataclass(frozen=True)
class Piece:
    """One physical part: all its attempts in order, and the one that counts."""

    part_number: str
    serial: str
    lot: str
    attempts: tuple[Attempt, ...]

    @property
    def standing(self) -> Attempt | None:
        """The attempt that counts; None when all are void."""
        return next((attempt for attempt in self.attempts if attempt.standing), None)
