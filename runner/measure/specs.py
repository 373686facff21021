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
    """``plane line circle cylinder cone sphere slot surface``; more kinds register in ``measure.kinds``."""
    shape: Shape | None
    """The nominal element; None for ``surface`` (a free region of the nominal, see ``region``)."""
    source: str = "surface"
    """``surface`` or ``edges``."""
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
    origin: Origin | None = None


@dataclass(frozen=True)
class DatumSpec:
    """One datum of a system."""

    label: str
    features: tuple[str, ...]
    """One feature; two or more for a common datum (A-B) or a pattern."""
    associate: str = "outside material"
    """``outside material`` or ``least squares``."""


@dataclass(frozen=True)
class DatumSystemSpec:
    """Ordered datums."""

    name: str
    datums: tuple[DatumSpec, ...]
    origin: Origin | None = None


@dataclass(frozen=True)
class FormFilter:
    """Which form zone is judged on a noisy scan."""

    kind: str = "none"
    """``none`` (plain zone over all points) or ``gaussian`` (ISO 16610-61) or ``central 95 %``."""
    cutoff: float | None = None
    """Nesting index (cut-off wavelength), mm."""


@dataclass(frozen=True)
class DecisionSpec:
    """How uncertainty enters the verdict."""

    rule: str
    """``simple``, or ``guarded`` (ISO 14253-1:2017), or ``guarded by factor``."""
    factor: float | None = None
    """Guard band in expanded uncertainties, for ``guarded by factor`` (JCGM 106)."""


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
    entered: Mapping[str, str] = field(default_factory=dict)
    """Other gauge: what a person enters (gauge, kind)."""
    origin: Origin | None = None


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
