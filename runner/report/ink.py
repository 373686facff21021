"""Drawing on a picture: text in the built-in font, balloons, arrows, hatching. No system fonts are needed."""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from runner.report.text import plain_latin

INK = (31, 41, 51)
SOFT = (110, 122, 134)
PAPER = (255, 255, 255)
Box = tuple[float, float, float, float]


@functools.cache
def font(size: int) -> Any:
    """The font that comes with the imaging library, at a size in pixels."""
    return ImageFont.load_default(size)


def width_of(text: str, size: int) -> float:
    """Width of one line, pixels."""
    return float(font(size).getlength(plain_latin(text)))


class Ink:
    """A pen on an RGB picture."""

    def __init__(self, picture: Image.Image) -> None:
        self.picture = picture
        self.draw = ImageDraw.Draw(picture)

    def text(
        self,
        at: tuple[float, float],
        text: str,
        size: int = 20,
        *,
        colour: tuple[int, int, int] = INK,
        anchor: str = "la",
        halo: bool = False,
    ) -> None:
        """Write one line; ``halo`` keeps it readable on any ground."""
        self.draw.text(
            at,
            plain_latin(text),
            font=font(size),
            fill=colour,
            anchor=anchor,
            stroke_width=3 if halo else 0,
            stroke_fill=PAPER,
        )

    def fitted(self, at: tuple[float, float], text: str, size: int, width: float, **traits: Any) -> float:
        """Write one line, smaller or cut with ``...`` if it is wider than ``width``; return its width."""
        shown = plain_latin(text)
        while size > 13 and width_of(shown, size) > width:
            size -= 1
        if width_of(shown, size) > width:
            while shown and width_of(shown + "...", size) > width:
                shown = shown[:-1]
            shown += "..."
        self.text(at, shown, size, **traits)
        return width_of(shown, size)

    def line(self, *points: tuple[float, float], colour: tuple[int, int, int] = INK, width: int = 2) -> None:
        """Draw a polyline."""
        self.draw.line([c for p in points for c in p], fill=colour, width=width)

    def balloon(self, centre: tuple[float, float], text: str, colour: tuple[int, int, int] = INK) -> None:
        """A characteristic's number in a rounded outline, as drawings have it."""
        size = 19
        half_w = max(width_of(text, size) / 2 + 8, 15)
        box = (centre[0] - half_w, centre[1] - 15, centre[0] + half_w, centre[1] + 15)
        self.draw.rounded_rectangle(box, radius=15, fill=PAPER, outline=colour, width=2)
        self.text(centre, text, size, colour=colour, anchor="mm")

    def pointer(self, tip: tuple[float, float], up: bool, colour: tuple[int, int, int] = INK, size: float = 9) -> None:
        """A small triangle with its tip at ``tip``: standing on its tip when ``up`` is False."""
        dy = size * 1.6 * (1 if up else -1)
        self.draw.polygon([tip, (tip[0] - size, tip[1] + dy), (tip[0] + size, tip[1] + dy)], fill=colour)

    def cross(self, at: tuple[float, float], plus: bool) -> None:
        """Mark of a worst point: a ringed plus or minus."""
        x, y = at
        self.draw.ellipse((x - 9, y - 9, x + 9, y + 9), fill=PAPER, outline=INK, width=2)
        self.line((x - 5, y), (x + 5, y), width=2)
        if plus:
            self.line((x, y - 5), (x, y + 5), width=2)

    def outcome(self, box: Box, word: str) -> None:
        """The outcome as shape, word and colour, so that no one of them is needed to read it."""
        colours = {"accept": (33, 110, 72), "reject": (160, 38, 24), "hold": (138, 97, 0)}
        colour = colours.get(word, INK)
        left, top, right, bottom = box
        self.draw.rounded_rectangle(box, radius=8, outline=colour, width=3, fill=PAPER)
        middle = (top + bottom) / 2
        x, r = left + 30, 13
        if word == "accept":
            self.line((x - r, middle), (x - 3, middle + r - 2), (x + r, middle - r + 2), colour=colour, width=5)
        elif word == "reject":
            self.line((x - r, middle - r), (x + r, middle + r), colour=colour, width=5)
            self.line((x - r, middle + r), (x + r, middle - r), colour=colour, width=5)
        else:
            for dx in (-7, 7):
                self.line((x + dx, middle - r), (x + dx, middle + r), colour=colour, width=6)
        self.text(((x + r + right) / 2, middle), word, 32, colour=colour, anchor="mm")


def hatch(shape: tuple[int, int], step: int) -> NDArray[np.bool_]:
    """Diagonal stripes."""
    y, x = np.indices(shape)
    stripes: NDArray[np.bool_] = (x + y) % step < max(2, step // 5)
    return stripes


def signs(shape: tuple[int, int], step: int, plus: bool) -> NDArray[np.bool_]:
    """A sparse pattern of small plus or minus signs: the sign of a deviation survives a black-and-white print."""
    y, x = np.indices(shape)
    # every second row shifted, or the pattern reads as lines
    across = (x + (y // step % 2) * (step // 2)) % step - step // 2
    down = y % step - step // 2
    arm, thick = step // 6, max(1, step // 20)
    marks: NDArray[np.bool_] = (np.abs(across) <= arm) & (np.abs(down) <= thick)
    if plus:
        marks |= (np.abs(down) <= arm) & (np.abs(across) <= thick)
    return marks
