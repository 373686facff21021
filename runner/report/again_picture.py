"""Where to scan again: the part in grey, the places that were needed and not seen in amber, with their numbers."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from runner.geometry.mesh import Floats, Nominal
from runner.report.colours import Scale
from runner.report.ink import INK, PAPER, SOFT, Ink
from runner.report.marks import Mark, draw_labels, draw_name
from runner.report.picture import FINER, PlacesOnNominal, triangle_normals
from runner.report.render import paint, rasterize
from runner.report.shade import shade
from runner.report.views import Placed, arrange, choose_sides

WIDTH, TALLEST, HEADER, FOOTER = 1280, 900, 76, 64
ROOM = (64, 112)
AMBER = (240, 138, 0)
STRENGTH = 0.85
"""How much of the grey the amber takes away."""
_GREY = Scale(None, None, -1.0, 1.0)


@dataclass(frozen=True, eq=False)
class Region:
    """Surface that one or more characteristics need."""

    text: str
    """Their numbers on the drawing."""
    at: Floats
    """(3,) mm, where the number points."""
    places: NDArray[np.bool_]
    """(k,) which places of the nominal belong to it."""


def to_scan_again(regions: Sequence[Region], deviation: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return (k,) the places to be scanned again.

    In each region those that were not seen; all of it where all was seen and still was not enough. Without any region
    everything that was not seen.
    """
    unseen: NDArray[np.bool_] = np.isnan(deviation)
    if not regions:
        return unseen
    again = np.zeros(len(unseen), dtype=np.bool_)
    for region in regions:
        missing = region.places & unseen
        again |= missing if missing.any() else region.places
    return again


def again_picture(nominal: Nominal, places: PlacesOnNominal, regions: Sequence[Region], title: str) -> bytes:
    """Return the picture as PNG.

    Parameters
    ----------
    nominal
        Its mesh is drawn.
    places
        Places of the nominal with their deviations, mm; NaN where the scan showed nothing.
    regions
        What the open characteristics need.
    title
        One line above: part, serial, what to do.
    """
    again = to_scan_again(regions, np.asarray(places.deviation, dtype=np.float32))
    area = (100, HEADER, WIDTH - 200, TALLEST - HEADER - FOOTER)
    placed, used = arrange(choose_sides(nominal), nominal.mesh, area, gap=(70, *ROOM))
    height = HEADER + used + FOOTER
    sheet = Image.new("RGB", (WIDTH, height), PAPER)
    ink, depths = Ink(sheet), []
    values = np.where(again, np.nan, 0.0)  # the painter hatches places without a value
    for place in placed:
        picture, depth = _draw_view(nominal, places, values, place)
        sheet.paste(picture, place.corner)
        depths.append(depth)
    ink.fitted((40, 18), title, 32, WIDTH - 80)
    for place in placed:
        draw_name(ink, place)
    draw_labels(ink, placed, depths, [Mark(region.text, region.at) for region in regions])
    y = height - FOOTER + 18
    ink.draw.rectangle((40, y, 84, y + 26), fill=AMBER, outline=INK, width=2)
    ink.text((98, y + 2), "scan these places again", 20)
    ink.text((420, y + 4), "numbers: characteristics that need them", 18, colour=SOFT)
    stream = io.BytesIO()
    sheet.save(stream, "PNG", compress_level=6)
    return stream.getvalue()


def _draw_view(nominal: Nominal, places: PlacesOnNominal, values: Floats, place: Placed) -> tuple[Image.Image, Floats]:
    """One view as a picture, and its depths at final size."""
    view = place.view.finer(FINER)
    raster = rasterize(nominal.mesh, view)
    normals = triangle_normals(nominal)
    shown = paint(raster, view, normals, places.points, places.normals, values, places.spacing)
    grey = shade(raster, shown, normals, view, _GREY, FINER).astype(np.float64)
    rows, columns = grey.shape[:2]
    marked = shown.unseen[: rows * FINER, : columns * FINER].reshape(rows, FINER, columns, FINER).mean(axis=(1, 3))
    share = STRENGTH * marked[..., None]
    mixed = grey * (1.0 - share) + np.array(AMBER, dtype=np.float64) * share * (0.35 + 0.65 * grey / 255.0)
    return Image.fromarray(np.round(np.clip(mixed, 0, 255)).astype(np.uint8)), raster.depth[::FINER, ::FINER]
