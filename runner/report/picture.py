"""The deviation picture of one part: three views, one scale, worst points, numbers; made without a display."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from runner.geometry.mesh import Floats, Nominal, SurfaceKind
from runner.records import Inspection, Result
from runner.report.atomic import Written, write_bytes
from runner.report.colours import Scale, make_scale
from runner.report.ink import PAPER, SOFT, Ink
from runner.report.legend import Words, draw_legend
from runner.report.marks import Mark, draw_labels, draw_name, draw_worst
from runner.report.render import paint, rasterize
from runner.report.shade import shade
from runner.report.views import Placed, arrange, choose_sides

WIDTH, TALLEST = 1800, 1300
HEADER, LEGEND = 140, 150
ROOM = (64, 112)
"""Pixels above and below each view for numbers, name and axes."""
FINER = 2
"""Views are rendered this much larger and averaged down."""


LONGEST_TITLE = 70
"""A longer sentence would be too small to read on the picture."""


class PlacesOnNominal(Protocol):
    """What a deviation map must offer."""

    @property
    def points(self) -> Floats:
        """(k, 3) mm."""

    @property
    def normals(self) -> Floats:
        """(k, 3) unit."""

    @property
    def deviation(self) -> NDArray[np.float32]:
        """(k,) mm; NaN for unseen places."""

    @property
    def spacing(self) -> float:
        """Distance between neighbouring places, mm."""


@dataclass(frozen=True)
class Caption:
    """The words on a picture."""

    title: str
    outcome: str
    lines: tuple[str, ...] = ()


def deviation_picture(
    nominal: Nominal,
    places: PlacesOnNominal,
    caption: Caption,
    *,
    lower: float | None = None,
    upper: float | None = None,
    limits_of: str = "",
    labels: Sequence[Mark] = (),
) -> bytes:
    """Return the picture as PNG.

    Parameters
    ----------
    nominal
        Its mesh is drawn.
    places
        Deviations at fixed places of the nominal, mm; NaN where the scan showed nothing.
    caption
        Part, serial, outcome, alignment.
    lower, upper
        Limits of the deviation, mm; the band between them stays neutral. None: no tolerance.
    limits_of
        Id of the characteristic whose limits they are.
    labels
        Numbers to point at features, places in the nominal's frame.
    """
    deviation = np.asarray(places.deviation, dtype=np.float64)
    scale = make_scale(deviation, lower, upper)
    area = (100, HEADER, WIDTH - 200, TALLEST - HEADER - LEGEND)
    placed, used_height = arrange(choose_sides(nominal), nominal.mesh, area, gap=(80, *ROOM))
    height = HEADER + used_height + LEGEND
    sheet = Image.new("RGB", (WIDTH, height), PAPER)
    ink = Ink(sheet)
    depths = []
    for place in placed:
        picture, depth = _draw_view(nominal, places, deviation, scale, place)
        sheet.paste(picture, place.corner)
        depths.append(depth)
    _draw_header(ink, caption)
    for place in placed:
        draw_name(ink, place)
    draw_labels(ink, placed, depths, labels)
    hidden = draw_worst(ink, placed, depths, places.points, places.normals, deviation)
    words = Words(
        limits=f"zone of {limits_of}" if limits_of else "tolerance",
        averaged=f"values shown: means over {places.spacing:.2g} mm",
        remarks=tuple(hidden),
    )
    draw_legend(ink, (60, height - LEGEND, WIDTH - 60, height - 12), scale, deviation, placed[0].view.scale, words)
    stream = io.BytesIO()
    sheet.save(stream, "PNG", optimize=False, compress_level=6)
    return stream.getvalue()


def write_picture(
    path: Path, nominal: Nominal, places: PlacesOnNominal, inspection: Inspection, show: Sequence[str] = ()
) -> Written:
    """Draw the picture of an inspection and write it so that it appears whole or not at all.

    ``show`` names the characteristics that the recipe wants pictured; the zone of the first profile among
    them is drawn.
    """
    result = profile_of(inspection, show)
    lower, upper = zone_limits(result) if result is not None else (None, None)
    content = deviation_picture(
        nominal,
        places,
        caption_of(inspection, result),
        lower=lower,
        upper=upper,
        limits_of=result.id if result is not None else "",
        labels=labels_of(inspection),
    )
    return write_bytes(path, content)


def profile_of(inspection: Inspection, show: Sequence[str] = ()) -> Result | None:
    """The profile whose zone the picture shows: the first that ``show`` names, else the first there is."""
    profiles = [r for r in inspection.results if r.kind.startswith("profile") and r.upper is not None]
    return next((r for r in profiles if r.id in show), profiles[0] if profiles else None)


def zone_limits(result: Result) -> tuple[float, float] | tuple[None, None]:
    """Limits of the deviation, mm, of a profile zone: half of it to each side, moved by the ``unequal`` detail.

    None when the result says that its zone is not equal about nominal but not how: no band is better than a wrong one.
    """
    if "unequal" not in result.details and "zone's middle" in str(result.details.get("definition", "")):
        return None, None
    factor = 25.4 if result.unit == "in" else 1.0
    half = 0.5 * (result.upper or 0.0) * factor
    shift = result.details.get("unequal", 0.0)
    moved = shift if isinstance(shift, float) else 0.0
    return moved - half, moved + half


def caption_of(inspection: Inspection, result: Result | None) -> Caption:
    """Words for an inspection's picture."""
    revision = f" rev {inspection.part_revision}" if inspection.part_revision else ""
    lot = f", lot {inspection.lot}" if inspection.lot else ""
    title = f"{inspection.part_number}{revision} {inspection.part_name}".strip() + f"   serial {inspection.serial}{lot}"
    lines = []
    if result is not None:
        lines.append(_result_line(result))
    systems = [f"{s.name} ({'|'.join(s.datums)})" for s in inspection.datum_systems if s.datums]
    frame = "frame of the fit to nominal"
    datums = f"; datum systems on this part: {', '.join(systems)}" if systems else ""
    poses = ", ".join(dict.fromkeys(f"{p.status} by {p.method}" for p in inspection.poses))
    lines.append(f"{poses}; deviations in the {frame}{datums}")
    if inspection.reason:
        lines.append(inspection.reason)
    return Caption(title, inspection.outcome.value, tuple(lines))


def _result_line(result: Result) -> str:
    """Requirement, verdict, value, and the extreme single points that it was judged by."""
    what = result.title
    if len(what) > LONGEST_TITLE:
        frame = f" in {result.datum_system}" if result.datum_system else ""
        what = f"{result.kind} of {', '.join(result.features[:3])}{frame}"
    line = f"{result.id}  {what}: {result.limits_text}, {result.verdict}"
    if result.value is not None:
        line += f", {result.value:.{result.decimals}f} {result.unit}"
    plus, minus = result.details.get("worst plus"), result.details.get("worst minus")
    if isinstance(plus, float) and isinstance(minus, float):
        line += f", single points from {minus:+.3f} to {plus:+.3f} mm"
    return line


def labels_of(inspection: Inspection) -> list[Mark]:
    """Balloon numbers at the measured features that they are about."""
    where = {}
    for feature in inspection.features:
        for name in ("centre", "point"):
            value = feature.parameters.get(name)
            if isinstance(value, tuple):
                where[feature.name] = value
                break
    marks: dict[tuple[float, ...], list[str]] = {}
    for result in inspection.results:
        for feature_name in result.features:
            if feature_name in where:
                ids = marks.setdefault(where[feature_name], [])
                if result.id not in ids:
                    ids.append(result.id)
    return [Mark(", ".join(ids), np.array(at)) for at, ids in marks.items()]


def _draw_header(ink: Ink, caption: Caption) -> None:
    ink.outcome((WIDTH - 270, 24, WIDTH - 60, 80), caption.outcome)
    ink.fitted((60, 18), caption.title, 36, WIDTH - 360)
    for index, line in enumerate(caption.lines[:3]):
        ink.fitted((60, 66 + 23 * index), line, 19, WIDTH - 360 if index == 0 else WIDTH - 120, colour=SOFT)
    ink.line((60, HEADER), (WIDTH - 60, HEADER), colour=(208, 212, 216), width=1)


def _draw_view(
    nominal: Nominal, places: PlacesOnNominal, deviation: Floats, scale: Scale, place: Placed
) -> tuple[Image.Image, Floats]:
    """One view as a picture, and its depths at final size (for hiding marks behind the part)."""
    view = place.view.finer(FINER)
    raster = rasterize(nominal.mesh, view)
    normals = triangle_normals(nominal)
    shown = paint(raster, view, normals, places.points, places.normals, deviation, places.spacing)
    picture = Image.fromarray(shade(raster, shown, normals, view, scale, FINER))
    return picture, raster.depth[::FINER, ::FINER]


def triangle_normals(nominal: Nominal) -> Floats:
    """(m, 3) unit normals; zero for triangles without area.

    On planes the exact normal is taken: the thinnest slivers of a mesher have none worth the name.
    """
    corners = nominal.mesh.vertices[nominal.mesh.triangles]
    doubled = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(doubled, axis=1, keepdims=True)
    normals = np.divide(doubled, length, out=np.zeros_like(doubled), where=length > 0)
    flat = (nominal.faces.kind == SurfaceKind.PLANE)[nominal.triangle_face] & (nominal.triangle_face >= 0)
    normals[flat] = nominal.faces.axis[nominal.triangle_face[flat]]
    return normals
