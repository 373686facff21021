"""Inspections of an invented part, for tests of ledger and report: a pump bracket PB-220 of a made-up workshop."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace

from runner.records import (
    Attempt,
    DatumRecord,
    Inspection,
    MeasuredFeature,
    Origin,
    Outcome,
    PartResult,
    Piece,
    PoseRecord,
    PoseStatus,
    Provenance,
    Result,
    ScanFile,
    Uncertainty,
    Verdict,
)

RECIPE_TEXT = "recipe: 1\npart: {number: PB-220, revision: C, name: pump bracket}\n"


def sha(text: str) -> str:
    """A hash that looks like a file's."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def judge(value: float, lower: float | None, upper: float | None, u: float = 0.0) -> Verdict:
    """Guarded by u, for the samples only."""
    if (lower is not None and value < lower - u) or (upper is not None and value > upper + u):
        return Verdict.DOES_NOT_CONFORM
    if (lower is not None and value < lower + u) or (upper is not None and value > upper - u):
        return Verdict.UNDECIDED
    return Verdict.CONFORMS


def size_result(value: float | None, u: float = 0.004) -> Result:
    verdict = Verdict.NOT_MEASURED if value is None else judge(value, 12.0, 12.1, u)
    return Result(
        id="1",
        kind="size",
        title="Diameter of pivot hole, least squares (GG)",
        features=("pivot hole",),
        unit="mm",
        decimals=3,
        nominal=12.0,
        lower=12.0,
        upper=12.1,
        limits_text="12 +0.10/0",
        value=value,
        deviation=None if value is None else value - 12.0,
        verdict=verdict,
        reason="" if value is not None else "only 18 % of the circle carries points, 30 % are needed",
        uncertainty=None if value is None else Uncertainty(u / 2, u, 2.0, "stated in the recipe"),
        points=0 if value is None else 412,
        coverage=0.18 if value is None else 0.93,
        classification="key",
        where="sheet 1, C4",
        details={"form error": 0.021},
        origin=Origin("pump-bracket.yaml", 31),
    )


def flatness_result(value: float) -> Result:
    return Result(
        id="1.10",
        kind="flatness",
        title="Flatness of base, Gaussian filter, cut-off 2.5 mm",
        features=("base",),
        unit="mm",
        decimals=3,
        nominal=None,
        lower=None,
        upper=0.3,
        limits_text="0.3",
        value=value,
        deviation=None,
        verdict=judge(value, None, 0.3),
        points=18211,
        coverage=0.98,
        where="sheet 1, B2",
    )


def pattern_result(values: Sequence[float]) -> Result:
    parts = tuple(PartResult(f"bolt holes[{i}]", v, None, judge(v, None, 0.4)) for i, v in enumerate(values, start=1))
    worst = max(values)
    return Result(
        id="5",
        kind="position",
        title="Position of each of bolt holes to A|B|C, diametral zone",
        features=tuple(p.name for p in parts),
        unit="mm",
        decimals=3,
        nominal=None,
        lower=None,
        upper=0.4,
        limits_text="Ø 0.4 (M) | A | B | C",
        value=worst,
        deviation=None,
        verdict=judge(worst, None, 0.4),
        points=1620,
        coverage=0.91,
        datum_system="main",
        classification="key",
        where="sheet 1, C6",
        parts=parts,
    )


def profile_result(plus: float, minus: float) -> Result:
    value = 2 * max(plus, -minus)
    return Result(
        id="4",
        kind="profile of a surface",
        title="Profile of skin to A|B|C, equal zone",
        features=("skin",),
        unit="mm",
        decimals=2,
        nominal=None,
        lower=None,
        upper=1.0,
        limits_text="1.0 | A | B | C",
        value=value,
        deviation=None,
        verdict=judge(value, None, 1.0),
        points=384_112,
        coverage=0.964,
        datum_system="main",
        details={"worst plus": plus, "worst minus": minus},
    )


def angle_result(value: float) -> Result:
    return Result(
        id="6",
        kind="angle",
        title="Bend angle between base and tab",
        features=("base", "tab"),
        unit="deg",
        decimals=1,
        nominal=90.0,
        lower=89.0,
        upper=91.0,
        limits_text="90° ±1°",
        value=value,
        deviation=value - 90.0,
        verdict=judge(value, 89.0, 91.0),
        points=9133,
        coverage=0.88,
    )


def gauge_result(done: bool = False) -> Result:
    return Result(
        id="7",
        kind="other gauge",
        title="Thread M6, go/no-go plug gauge",
        features=(),
        unit="",
        decimals=0,
        nominal=None,
        lower=None,
        upper=None,
        limits_text="M6-6H",
        value=None,
        deviation=None,
        verdict=Verdict.CONFORMS if done else Verdict.NOT_MEASURED,
        reason="" if done else "entered by a person; nothing entered yet",
    )


def statistic_result(value: float) -> Result:
    return Result(
        id="8",
        kind="surface deviation",
        title="Standard deviation of the surface deviation",
        features=("skin",),
        unit="mm",
        decimals=4,
        nominal=None,
        lower=None,
        upper=None,
        limits_text="",
        value=value,
        deviation=None,
        verdict=Verdict.INFORMATION,
    )


def make_inspection(
    serial: str,
    *,
    diameter: float | None = 12.052,
    flatness: float = 0.118,
    positions: Sequence[float] = (0.12, 0.18, 0.09, 0.21),
    plus: float = 0.31,
    minus: float = -0.28,
    angle: float = 90.2,
    lot: str = "L-31",
    scan: str = "",
    posed: bool = True,
    minute: int = 0,
    gauge: bool = True,
    recipe_status: str = "released",
) -> Inspection:
    """Return one inspection with everything that a real one carries."""
    results = [
        size_result(diameter),
        flatness_result(flatness),
        profile_result(plus, minus),
        pattern_result(positions),
        angle_result(angle),
        gauge_result(gauge),
        statistic_result(0.0613),
    ]
    if not posed:
        why = "no proven pose"
        results = [
            replace(r, value=None, deviation=None, verdict=Verdict.NOT_MEASURED, reason=why, parts=(), uncertainty=None)
            for r in results
        ]
    verdicts = {r.verdict for r in results}
    advice, reason = "", ""
    if not posed:
        outcome = Outcome.HOLD
        reason = "alignment: ambiguous, two poses fit alike (180° about z)"
        advice = "Scan again so that the locating slot is seen."
    elif Verdict.DOES_NOT_CONFORM in verdicts:
        outcome = Outcome.REJECT
        failed = [r.id for r in results if r.verdict is Verdict.DOES_NOT_CONFORM]
        reason = f"does not conform: {', '.join(failed)}"
    elif verdicts & {Verdict.UNDECIDED, Verdict.NOT_MEASURED}:
        outcome = Outcome.HOLD
        open_ids = [r.id for r in results if r.verdict in (Verdict.UNDECIDED, Verdict.NOT_MEASURED)]
        reason = f"not decided: {', '.join(open_ids)}"
        advice = "Scan the pivot hole again from both sides."
    else:
        outcome = Outcome.ACCEPT
    scan_hash = sha(scan or f"scan of {serial} {minute}")
    return Inspection(
        id=sha(f"{serial} {lot} {minute}")[:32],
        part_number="PB-220",
        part_revision="C",
        part_name="pump bracket",
        serial=serial,
        lot=lot,
        outcome=outcome,
        reason=reason,
        advice=advice,
        scans=(ScanFile(f"PB-220_{serial}.ply", scan_hash, 11_204_331, 384_112, 731_002, "mm"),),
        poses=(
            PoseRecord(
                scan_sha256=scan_hash,
                status=PoseStatus.ALIGNED if posed else PoseStatus.AMBIGUOUS,
                method="automatic",
                nominal_from_scan=(
                    (1.0, 0.0, 0.0, 12.5),
                    (0.0, 0.0, -1.0, 3.25),
                    (0.0, 1.0, 0.0, -7.0),
                    (0.0, 0.0, 0.0, 1.0),
                ),
                reason="" if posed else "two poses fit alike",
                advice="" if posed else "Scan again so that the locating slot is seen.",
                evidence={"rms of fit, mm": 0.041, "share of nominal seen": 0.964, "second best": 0.41},
                removed={"table": 90_121, "speck": 14},
            ),
        ),
        datum_systems=(
            DatumRecord(
                "main",
                ("A", "B", "C"),
                ((1.0, 0.0, 0.0, 0.01), (0.0, 1.0, 0.0, -0.02), (0.0, 0.0, 1.0, 0.0), (0.0, 0.0, 0.0, 1.0)),
            ),
        )
        if posed
        else (),
        features=(
            MeasuredFeature(
                "base",
                "plane",
                "surface",
                {"point": (0.0, 0.0, 0.01), "normal": (0.0, 0.0, -1.0)},
                18211,
                3,
                0.98,
                0.02,
            ),
            MeasuredFeature(
                "pivot hole",
                "circle",
                "edges",
                {} if diameter is None else {"centre": (30.0, 20.0, 0.0), "radius": diameter / 2},
                412,
                0,
                0.18 if diameter is None else 0.93,
                None if diameter is None else 0.031,
                "too little coverage" if diameter is None else "",
            ),
        )
        if posed
        else (),
        results=tuple(results),
        provenance=Provenance(
            recipe_file="pump-bracket.yaml",
            recipe_fingerprint=sha(RECIPE_TEXT),
            recipe_text=RECIPE_TEXT,
            recipe_status=recipe_status,
            nominal_file="pump-bracket.step",
            nominal_sha256=sha("nominal"),
            scan_set_sha256=sha(scan_hash),
            versions={"runner": "0.1.0", "numpy": "2.4.0"},
            started_utc=f"2026-10-05T08:{minute:02d}:11.204Z",
            finished_utc=f"2026-10-05T08:{minute:02d}:13.871Z",
            operator="operator 2",
            station="bench 1",
            seconds={"read": 0.2, "align": 1.9, "measure": 0.6},
        ),
        deviation_map_sha256=sha(f"map {serial}") if posed else "",
        picture=f"PB-220/pictures/{serial}.png" if posed else "",
    )


def small_lot() -> tuple[Inspection, ...]:
    """Accept, reject (size), hold (undecided), hold (not aligned), reject (profile), hold (hole not seen)."""
    return (
        make_inspection("0101", minute=1),
        make_inspection("0102", minute=2, diameter=12.131),
        make_inspection("0103", minute=3, diameter=12.098),
        make_inspection("0104", minute=4, posed=False),
        make_inspection("0105", minute=5, plus=0.622, minus=-0.31, positions=(0.12, 0.44, 0.09, 0.21)),
        make_inspection("0106", minute=6, diameter=None),
    )


def as_pieces(inspections: Sequence[Inspection]) -> tuple[Piece, ...]:
    """Pieces with one attempt each, as a ledger would give them."""
    return tuple(
        Piece(i.part_number, i.serial, i.lot, (as_attempt(i, sequence),)) for sequence, i in enumerate(inspections, 1)
    )


def as_attempt(inspection: Inspection, sequence: int, *, number: int = 1, standing: bool = True) -> Attempt:
    """An attempt without a ledger."""
    return Attempt(
        inspection=inspection,
        number=number,
        sequence=sequence,
        created_utc=inspection.provenance.finished_utc,
        entry_hash=sha(f"entry {sequence}"),
        standing=standing,
    )
