"""What the measuring core is asked to do, in numbers: the recipe is translated into these, and only these reach it.

All lengths mm, all angles rad, all places in the nominal's frame.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from runner.geometry.shapes import Shape
from runner.records import Origin, Vector


@dataclass(frozen=True)
class FeatureSpec:
    """A nominal feature and how to find it on the scan."""

    name: str
    kind: str
    """A key of ``FEATURE_KINDS`` in ``measure.kinds``."""
    shape: Shape | None
    """The nominal element; None for ``surface`` and ``trim edge`` (regions of the nominal)."""
    source: str = "surface"
    """``surface``, ``edges`` or ``constructed``."""
    search: float = 1.0
    """How far from nominal, mm, the real feature may lie and must still be found."""
    margin: float | None = None
    """Points nearer than this, mm, to the border of a face are not used; None: from the point spacing."""
    extent: str = "connected"
    """Plane: ``connected`` (the coplanar face at the point) or ``coplanar`` (all coplanar faces)."""
    span: tuple[float, float] | None = None
    """Cylinder, cone, line: limits along the axis from the given point, mm; None: as the nominal's faces."""
    region: str = "all"
    """Surface: ``all``, or ``faces`` with ``region_points`` naming points on the faces meant."""
    region_points: tuple[Vector, ...] = ()
    pattern: str | None = None
    """Name of the pattern it is a member of; members are expanded before they come here."""
    association: str = "least squares"
    """``least squares``, ``minimum zone``, ``maximum inscribed``, ``minimum circumscribed``, ``outside material``."""
    least_coverage: float = 0.3
    """Below this share of the nominal extent the feature is not measured."""
    least_points: int = 0
    """0: what the element needs plus a safety factor."""
    turn: tuple[float, float] | None = None
    """Arc (and part of a torus or cylinder): first and last angle, rad, about the axis from ``zero``, right-handed."""
    zero: Vector | None = None
    """Unit direction, square to the axis, from which ``turn`` counts."""
    direction: Vector | None = None
    """Surface point: along which the deviation is taken (the normal where None). Edge point and trim edge: out of the
    material, in the sheet. Projection along a direction."""
    normal: Vector | None = None
    """Edge point and trim edge: out of the sheet, on the side on which the edge is meant."""
    places: tuple[Vector, ...] = ()
    """Trim edge: points on the edges meant, in order; two or more pick the stretch between the first and the last."""
    corner_radius: float = 0.0
    """Rectangle, square-ended slot: rounding of the corners, mm; corners are left out of the fit."""
    edge_depth: float = 0.3
    """From edges: how far below the sheet's surface, mm, material still counts as the edge (an edge break, a burr)."""
    parents: tuple[str, ...] = ()
    """Constructed: the features it is made of, in order; they stand before it in the plan."""
    origin: Origin | None = None


@dataclass(frozen=True)
class TargetSpec:
    """One datum target (ISO 5459; ASME Y14.5): where the datum feature is touched."""

    name: str
    """``A1``, ``A2`` ..."""
    kind: str
    """``point``, ``line`` (from ``at`` to ``end``) or ``area`` (a disc of ``diameter``)."""
    at: Vector
    normal: Vector
    """Out of the material."""
    end: Vector | None = None
    diameter: float = 0.0
    search: float = 1.0


@dataclass(frozen=True)
class FormFilter:
    """Which form zone is judged on a noisy scan."""

    kind: str = "none"
    """``none`` (plain zone over all points), ``gaussian`` (ISO 16610-61), ``central 95 %``, or, for datums only,
    ``default`` (means over cells)."""
    cutoff: float | None = None
    """Nesting index (cut-off wavelength), mm."""


@dataclass(frozen=True)
class DatumSpec:
    """One datum of a system."""

    label: str
    features: tuple[str, ...]
    """One feature; two or more for a common datum (A-B) or a pattern."""
    associate: str = "outside material"
    """``outside material`` or ``least squares``."""
    targets: tuple[TargetSpec, ...] = ()
    """Datum targets; ``features`` then is empty."""
    filter: FormFilter = field(default_factory=lambda: FormFilter("default"))
    """What the datum feature is filtered by before it is associated; ``default``: means over cells (noted)."""
    material: str | None = None
    """``maximum``: the datum is the virtual condition and the frame may shift (ISO 2692; ASME MMB)."""
    virtual_size: float | None = None
    """Diameter of the virtual condition, mm, for ``material``."""
    orientation_only: bool = False
    """The datum gives directions only (ISO 5459 ``><``; lower segment of a composite tolerance of ASME)."""


@dataclass(frozen=True)
class DatumSystemSpec:
    """Ordered datums."""

    name: str
    datums: tuple[DatumSpec, ...]
    origin: Origin | None = None


@dataclass(frozen=True)
class DecisionSpec:
    """How uncertainty enters the verdict."""

    rule: str
    """``simple``, or ``guarded`` (ISO 14253-1:2017), or ``guarded by factor``."""
    factor: float | None = None
    """Guard band in expanded uncertainties, for ``guarded by factor`` (JCGM 106)."""


@dataclass(frozen=True)
class PointSpec:
    """One point of a list of surface or edge points, with its own limits."""

    name: str
    at: Vector
    direction: Vector
    """Surface point: the normal out of the material. Edge point: out of the material, in the sheet."""
    lower: float
    """Limits of the deviation along ``direction``, mm."""
    upper: float
    normal: Vector | None = None
    """Edge point: out of the sheet on the side meant."""


@dataclass(frozen=True)
class CharacteristicSpec:
    """One numbered requirement.

    Sizes, distances and angles use ``nominal`` with ``lower`` and ``upper`` as absolute limits of the value.
    Geometrical tolerances use ``zone``: the full width or diameter of the zone.
    """

    id: str
    kind: str
    """A key of the table in ``measure.kinds``."""
    features: tuple[str, ...]
    """What is judged; several for a pattern (judged one by one) or for relations (distance: two)."""
    title: str
    unit: str = "mm"
    """Unit to report in: ``mm``, ``in`` or ``deg``."""
    decimals: int = 3
    nominal: float | None = None
    lower: float | None = None
    upper: float | None = None
    limits_text: str = ""
    zone: float | None = None
    zone_shape: str = "two planes"
    """``diametral``, ``spherical`` or ``two planes``."""
    across: str | None = None
    """Two-plane zone of a slot: ``width`` or ``length``."""
    direction: Vector | None = None
    """Distance along this direction; or the direction across a two-plane zone."""
    extent: tuple[float, float] | None = None
    """Part of the axis over which it is judged, mm from the feature's point; None: the feature's own extent."""
    reference: tuple[str, ...] = ()
    """Features that orientation is stated against where no datum system is given."""
    datum_system: str | None = None
    size_definition: str = "two-point"
    """``two-point``, ``GG``, ``GN``, ``GX`` (ISO 14405-1) or ``envelope`` (ASME Y14.5)."""
    material_condition: str | None = None
    """``maximum`` or ``least``: bonus from the actual mating size against ``size_limits``."""
    size_limits: tuple[float, float] | None = None
    judge: FormFilter = field(default_factory=FormFilter)
    unequal: float = 0.0
    """Profile: shift of the middle of the zone out of the material, mm (UZ of ISO 1660)."""
    need_coverage: float = 0.0
    """Share of the nominal extent that must be seen before ``conforms`` may be said."""
    largest_gap: float | None = None
    """Profile: largest unseen patch allowed, mm across."""
    reach: float | None = None
    """Profile: how far from nominal, mm, points are still judged; None: several zones."""
    stated_uncertainty: float | None = None
    """Expanded uncertainty (k = 2) that the recipe states, mm or rad, until it is computed."""
    decision: DecisionSpec = field(default_factory=lambda: DecisionSpec("simple"))
    classification: str = ""
    where: str = ""
    quantity: str = ""
    """Which of several values of the kind is meant; the words are in the kind's row of ``measure.kinds``."""
    combined: bool = False
    """Pattern: the zones of all members hold together (CZ of ISO 5458:2018; ASME patterns) and are moved together where
    the datums leave them free; False: each zone by itself (SZ)."""
    simultaneous: str = ""
    """Characteristics with the same word here and the same datum system share one movement (SIM; ASME simultaneous
    requirements)."""
    points: tuple[PointSpec, ...] = ()
    """Lists of surface and edge points."""
    step: float | None = None
    """Distance between sections, mm, where the kind looks section by section; None: chosen from the spacing."""
    search: float = 1.0
    """Kinds that look for points themselves: how far from nominal, mm."""
    entered: Mapping[str, str] = field(default_factory=dict)
    """Other gauge: what a person enters (gauge, kind)."""
    origin: Origin | None = None


@dataclass(frozen=True)
class ReferencePoint:
    """A named point of the part that fixes stated directions (reference-point alignment)."""

    name: str
    at: Vector
    """On the nominal."""
    fixes: tuple[Vector, ...]
    """Unit directions, 1 to 3, along which its nominal place is to be met."""
    feature: str | None = None
    """The feature whose centre it is; None: the surface at ``at``."""
    normal: Vector | None = None
    """Surface point: out of the material; None: the nominal's own normal there."""
    search: float = 1.0


@dataclass(frozen=True)
class FitRegion:
    """A part of the surface with its weight in a best fit."""

    features: tuple[str, ...]
    """Features whose points are used; empty: all surfaces."""
    weight: float = 1.0


@dataclass(frozen=True)
class RefitSpec:
    """How the part is brought into place after the first alignment, where the recipe asks for more than a best fit."""

    method: str
    """``best fit`` (of named features, weighted, minimax or with degrees held) or ``reference points``."""
    regions: tuple[FitRegion, ...] = ()
    objective: str = "least squares"
    """``least squares`` or ``minimax``."""
    held: tuple[str, ...] = ()
    """Degrees that stay as the start gave them: ``x y z`` translations, ``rx ry rz`` rotations of the nominal frame."""
    points: tuple[ReferencePoint, ...] = ()
    reach: float = 1.0
    """Points farther than this from nominal don't pull, mm."""


@dataclass(frozen=True)
class MeasurePlan:
    """Everything to be measured on one part."""

    standard: str
    """``ISO GPS`` or ``ASME Y14.5``."""
    features: tuple[FeatureSpec, ...]
    datum_systems: tuple[DatumSystemSpec, ...]
    characteristics: tuple[CharacteristicSpec, ...]
    noise: float
    """Standard deviation of a scan point along the normal, mm, as the recipe expects it."""
    spacing: float
    """Point spacing, mm, as the recipe expects it."""
    sheet_thickness: float | None = None
    refit: RefitSpec | None = None
    overlap_limit: float | None = None
    """Scan sets: largest mean disagreement between scans where they overlap, mm; None: several standard deviations."""
