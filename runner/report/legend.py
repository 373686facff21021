"""The scale under the views: colours with numbers, limits, worst values, length bar, what grey means."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.geometry.mesh import Floats
from runner.report.colours import UNSEEN, Scale, round_up, srgb
from runner.report.ink import INK, SOFT, Box, Ink, hatch, width_of


@dataclass(frozen=True)
class Words:
    """The words of a legend that depend on the part."""

    limits: str
    averaged: str
    remarks: tuple[str, ...] = ()


def draw_legend(ink: Ink, box: Box, scale: Scale, deviation: Floats, pixels_per_mm: float, words: Words) -> None:
    """Draw it into the box (left, top, right, bottom)."""
    left, top, right, bottom = (int(v) for v in box)
    ink.line((left, top - 6), (right, top - 6), colour=(208, 212, 216), width=1)
    bar_left, bar_right, bar_top = left + 300, right - 440, top + 44
    _draw_bar(ink, (bar_left, bar_top, bar_right, bar_top + 26), scale, deviation, words.limits)
    _draw_length(ink, (left, top + 58), pixels_per_mm)
    _draw_key(ink, (right - 330, top + 26), deviation, scale.lower is not None or scale.upper is not None)
    ink.text((right - 286, top + 112), words.averaged, 17, colour=SOFT)
    for index, text in enumerate(words.remarks[:2]):
        ink.text((left, bottom - 20 - 22 * index), text, 17)


def tick_step(end: float) -> float:
    """A round step that gives four to eight ticks to each side."""
    rough = end / 5.0
    power = 10.0 ** np.floor(np.log10(rough))
    return float(next(f"{m * power:.6g}" for m in (1, 2, 5, 10) if m * power >= rough * (1 - 1e-9)))


def _draw_bar(ink: Ink, box: tuple[int, int, int, int], scale: Scale, deviation: Floats, limits: str) -> None:
    left, top, right, bottom = box
    width = right - left

    def x_of(value: float) -> float:
        return left + width * (value - scale.low_end) / (scale.high_end - scale.low_end)

    values = scale.low_end + (np.arange(width) + 0.5) / width * (scale.high_end - scale.low_end)
    colours = np.round(srgb(scale.colour(values)) * 255).astype(int)
    for pixel, colour in enumerate(colours):
        ink.draw.line((left + pixel, top, left + pixel, bottom), fill=tuple(colour))
    ink.draw.rectangle((left, top, right, bottom), outline=SOFT, width=1)
    step = tick_step(scale.high_end)
    decimals = max(0, int(np.ceil(-np.log10(step) - 1e-9)))
    for k in range(-int(scale.high_end / step + 1e-6), int(scale.high_end / step + 1e-6) + 1):
        x = x_of(k * step)
        ink.line((x, bottom), (x, bottom + 7), colour=SOFT)
        ink.text((x, bottom + 10), f"{k * step:+.{decimals}f}" if k else "0", 18, anchor="ma")
    ink.text((left - 44, bottom + 10), "deviation, mm", 17, colour=SOFT, anchor="ra")
    ink.text((left - 12, (top + bottom) / 2), "missing", 17, colour=SOFT, anchor="rm")
    ink.text((right + 12, (top + bottom) / 2), "outside", 17, colour=SOFT, anchor="lm")
    for limit in (scale.lower, scale.upper):
        if limit is not None:
            x = x_of(limit)
            ink.line((x, top - 5), (x, bottom + 2), width=3)
    if scale.lower is not None and scale.upper is not None:
        text = f"{limits}: {scale.lower:+.3g} to {scale.upper:+.3g}"
        middle = (x_of(scale.lower) + x_of(scale.upper)) / 2
        size = 17
        while size > 11 and width_of(text, size) > x_of(scale.upper) - x_of(scale.lower) - 8:
            size -= 1
        ink.text((middle, (top + bottom) / 2), text, size, anchor="mm")
    known = deviation[np.isfinite(deviation)]
    if len(known):
        for value in (float(known.max()), float(known.min())):
            x = x_of(min(max(value, scale.low_end), scale.high_end))
            ink.pointer((x, top - 6), up=False, size=6)
            ink.text((x, top - 18), f"{value:+.3f}", 19, anchor="ms")


def _draw_length(ink: Ink, at: tuple[float, float], pixels_per_mm: float) -> None:
    """A bar of a round length, valid in every view."""
    length = round_up(90.0 / pixels_per_mm)
    x, y = at
    pixels = length * pixels_per_mm
    ink.line((x, y), (x + pixels, y), width=3)
    for end in (x, x + pixels):
        ink.line((end, y - 7), (end, y + 7), width=3)
    ink.text((x, y + 12), f"{length:g} mm, all views", 17, colour=SOFT)


def _draw_key(ink: Ink, at: tuple[float, float], deviation: Floats, limits: bool) -> None:
    """What hatching and outlines mean."""
    x, y = (int(v) for v in at)
    known = np.isfinite(deviation)
    patch = np.broadcast_to(np.array(UNSEEN), (22, 34, 3)).copy()
    patch[hatch((22, 34), 9), 0] -= 0.16
    for dy, row in enumerate(np.round(srgb(patch) * 255).astype(int)):
        for dx, colour in enumerate(row):
            ink.draw.point((x + dx, y + dy), fill=tuple(int(c) for c in colour))
    share = 1.0 - known.mean() if len(known) else 1.0
    ink.text((x + 44, y), f"not seen by the scan: {100 * share:.1f} %", 17, colour=INK)
    if not limits:
        return
    ink.draw.rectangle((x + 2, y + 36, x + 32, y + 56), outline=INK, width=3)
    ink.text((x + 44, y + 36), "outlined: out of tolerance", 17, colour=INK)
    ink.text((x + 44, y + 62), "+ outside nominal, - missing", 17, colour=SOFT)
