"""Marks on the views: balloons at features, worst points, axes. They know what the part hides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from runner.geometry.mesh import Floats
from runner.report.ink import INK, SOFT, Ink, width_of
from runner.report.views import Placed

BEHIND_MM = 0.6
"""A mark counts as visible when nothing lies more than this before it; features sit on or just inside the surface."""


@dataclass(frozen=True, eq=False)
class Mark:
    """A number at a place of the nominal, (3,) mm."""

    text: str
    at: Floats


def on_sheet(place: Placed, points: Floats) -> Floats:
    """Sheet pixels (n, 2) of model points."""
    projected = place.view.project(points)
    return projected[:, :2] + np.array(place.corner)


def visible(place: Placed, depth: Floats, points: Floats, slack: float = BEHIND_MM) -> np.ndarray:
    """Whether each point (n, 3) is not hidden by the part in that view; looks at a 5 pixel neighbourhood.

    A hole's centre has no material before it and counts as visible.
    """
    projected = place.view.project(points)
    height, width = depth.shape
    x = np.floor(projected[:, 0]).astype(int)
    y = np.floor(projected[:, 1]).astype(int)
    inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    deepest = np.full(len(points), -np.inf)
    for dy in (-2, 0, 2):
        for dx in (-2, 0, 2):
            row, column = np.clip(y + dy, 0, height - 1), np.clip(x + dx, 0, width - 1)
            deepest = np.maximum(deepest, depth[row, column])
    return inside & (projected[:, 2] <= deepest + slack)


def draw_labels(ink: Ink, placed: Sequence[Placed], depths: Sequence[Floats], labels: Sequence[Mark]) -> None:
    """Draw each label once, in the first view that shows its place, outside the view with a leader to it."""
    taken: dict[int, list[Mark]] = {}
    for label in labels:
        for index, (place, depth) in enumerate(zip(placed, depths, strict=True)):
            if visible(place, depth, label.at[None])[0]:
                taken.setdefault(index, []).append(label)
                break
    for index, marks in taken.items():
        _place_balloons(ink, placed[index], marks)


def _place_balloons(ink: Ink, place: Placed, marks: Sequence[Mark]) -> None:
    """Balloons above and below the view, in order of their places so that leaders don't cross."""
    width, height = place.view.size
    left, top = place.corner
    spots = [(mark, on_sheet(place, mark.at[None])[0]) for mark in marks]
    above = [s for s in spots if s[1][1] <= top + height / 2]
    below = [s for s in spots if s[1][1] > top + height / 2]
    for group, y in ((above, top - 34.0), (below, top + height + 28.0)):
        group.sort(key=lambda s: s[1][0])
        xs = spread([s[1][0] for s in group], [max(width_of(s[0].text, 19) + 24, 38) for s in group])
        shift = min(0.0, left + width + 60 - max(xs)) if xs else 0.0
        for (mark, at), x in zip(group, xs, strict=True):
            centre = (max(x + shift, left - 60.0), y)
            ink.line(centre, (at[0], at[1]), colour=SOFT, width=2)
            ink.draw.ellipse((at[0] - 4, at[1] - 4, at[0] + 4, at[1] + 4), fill=INK)
            ink.balloon(centre, mark.text)


def spread(wanted: Sequence[float], widths: Sequence[float]) -> list[float]:
    """Return places near the wanted ones (ascending) that leave each its width."""
    places = list(wanted)
    for _ in range(200):
        moved = False
        for i in range(len(places) - 1):
            need = (widths[i] + widths[i + 1]) / 2
            lack = need - (places[i + 1] - places[i])
            if lack > 1e-6:
                places[i] -= lack / 2
                places[i + 1] += lack / 2
                moved = True
        if not moved:
            break
    return places


def draw_worst(
    ink: Ink,
    placed: Sequence[Placed],
    depths: Sequence[Floats],
    points: Floats,
    normals: Floats,
    deviation: Floats,
) -> list[str]:
    """Mark the largest and the smallest deviation with their values; return a line for each that no view shows.

    Of the views that show the place, the one that looks at it most squarely is taken.
    """
    rows = np.flatnonzero(np.isfinite(deviation))
    if not len(rows):
        return []
    hidden = []
    for plus, row in ((True, rows[deviation[rows].argmax()]), (False, rows[deviation[rows].argmin()])):
        value = f"{deviation[row]:+.3f}"
        squarely = [
            -float(normals[row] @ place.side.view_from_model[2])
            if visible(place, depth, points[row][None], slack=0.2)[0]
            else -1.0
            for place, depth in zip(placed, depths, strict=True)
        ]
        best = int(np.argmax(squarely))
        if squarely[best] > -0.1:
            _mark_value(ink, placed[best], points[row], value, plus)
        else:
            at = ", ".join(f"{c:.1f}" for c in points[row])
            hidden.append(f"worst {'plus' if plus else 'minus'} {value} mm is hidden in all views: at {at}")
    return hidden


def _mark_value(ink: Ink, place: Placed, point: Floats, value: str, plus: bool) -> None:
    x, y = on_sheet(place, point[None])[0]
    right = x < place.corner[0] + place.view.size[0] * 0.7
    ink.text((x + 17 if right else x - 17, y - 2), value, 25, anchor="lm" if right else "rm", halo=True)
    ink.cross((x, y), plus)


def draw_name(ink: Ink, place: Placed) -> None:
    """Below the view: a small set of axes and the side's name."""
    x0, y0 = place.corner[0] + place.view.size[0] / 2 - 90.0, place.corner[1] + place.view.size[1] + 72.0
    for axis, letter in enumerate("XYZ"):
        right, down, away = place.side.view_from_model[:, axis]
        if abs(away) > 0.95:
            continue
        tip = (x0 + 22 * right, y0 + 22 * down)
        ink.line((x0, y0), tip, colour=SOFT, width=2)
        ink.text((x0 + 32 * right, y0 + 32 * down), letter, 15, colour=SOFT, anchor="mm")
    ink.text((x0 + 52, y0), place.side.name, 18, colour=SOFT, anchor="lm")
