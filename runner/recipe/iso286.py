"""ISO 286-1: limits of size for a fit such as ``25 H7``, nominal sizes up to 500 mm.

Values: standard tolerance grades (Table 1) and fundamental deviations of shafts (Tables 4 and 5) of ISO 286-1:2010,
from memory. IT5 to IT14 and d to p agree with an independently written table and with the standard's defining formulae
(tests/recipe/test_iso286.py); a, b, c, r, s, t, u and IT1 to IT4 agree with the formulae within the standard's
rounding. Holes follow from the shafts by the standard's own rules (clause 4.3.2 of the 2010 edition).
"""

from __future__ import annotations

import re

GRADE_STEPS = (3, 6, 10, 18, 30, 50, 80, 120, 180, 250, 315, 400, 500)
"""Upper ends of the size ranges of Table 1, mm; a size equal to an end belongs to that range."""

GRADES: dict[int, tuple[float, ...]] = {
    1: (0.8, 1, 1, 1.2, 1.5, 1.5, 2, 2.5, 3.5, 4.5, 6, 7, 8),
    2: (1.2, 1.5, 1.5, 2, 2.5, 2.5, 3, 4, 5, 7, 8, 9, 10),
    3: (2, 2.5, 2.5, 3, 4, 4, 5, 6, 8, 10, 12, 13, 15),
    4: (3, 4, 4, 5, 6, 7, 8, 10, 12, 14, 16, 18, 20),
    5: (4, 5, 6, 8, 9, 11, 13, 15, 18, 20, 23, 25, 27),
    6: (6, 8, 9, 11, 13, 16, 19, 22, 25, 29, 32, 36, 40),
    7: (10, 12, 15, 18, 21, 25, 30, 35, 40, 46, 52, 57, 63),
    8: (14, 18, 22, 27, 33, 39, 46, 54, 63, 72, 81, 89, 97),
    9: (25, 30, 36, 43, 52, 62, 74, 87, 100, 115, 130, 140, 155),
    10: (40, 48, 58, 70, 84, 100, 120, 140, 160, 185, 210, 230, 250),
    11: (60, 75, 90, 110, 130, 160, 190, 220, 250, 290, 320, 360, 400),
    12: (100, 120, 150, 180, 210, 250, 300, 350, 400, 460, 520, 570, 630),
    13: (140, 180, 220, 270, 330, 390, 460, 540, 630, 720, 810, 890, 970),
    14: (250, 300, 360, 430, 520, 620, 740, 870, 1000, 1150, 1300, 1400, 1550),
}
"""Micrometres, by grade, one value for each size range."""
# from IT6 up every fifth grade is ten times the former (Table 1, footnote on the multipliers)
GRADES |= {n: tuple(10.0 * v for v in GRADES[n - 5]) for n in range(15, 19)}

DEVIATION_STEPS = (
    3, 6, 10, 14, 18, 24, 30, 40, 50, 65, 80, 100, 120, 140, 160, 180, 200, 225, 250, 280, 315, 355, 400, 450, 500,
)  # fmt: skip
"""Upper ends of the finer ranges that the fundamental deviations use, mm."""


def _fine(values: tuple[float, ...]) -> tuple[float, ...]:
    """Return values given for the 13 ranges of Table 1 spread over the finer ranges."""
    return tuple(values[next(i for i, end in enumerate(GRADE_STEPS) if step <= end)] for step in DEVIATION_STEPS)


UPPER: dict[str, tuple[float, ...]] = {
    "a": (-270, -270, -280, -290, -290, -300, -300, -310, -320, -340, -360, -380, -410, -460, -520, -580, -660, -740,
          -820, -920, -1050, -1200, -1350, -1500, -1650),
    "b": (-140, -140, -150, -150, -150, -160, -160, -170, -180, -190, -200, -220, -240, -260, -280, -310, -340, -380,
          -420, -480, -540, -600, -680, -760, -840),
    "c": (-60, -70, -80, -95, -95, -110, -110, -120, -130, -140, -150, -170, -180, -200, -210, -230, -240, -260, -280,
          -300, -330, -360, -400, -440, -480),
    "d": _fine((-20, -30, -40, -50, -65, -80, -100, -120, -145, -170, -190, -210, -230)),
    "e": _fine((-14, -20, -25, -32, -40, -50, -60, -72, -85, -100, -110, -125, -135)),
    "f": _fine((-6, -10, -13, -16, -20, -25, -30, -36, -43, -50, -56, -62, -68)),
    "g": _fine((-2, -4, -5, -6, -7, -9, -10, -12, -14, -15, -17, -18, -20)),
    "h": _fine((0,) * 13),
}  # fmt: skip
"""Upper deviation es of shafts a to h, micrometres."""

LOWER: dict[str, tuple[float, ...]] = {
    "k": _fine((0, 1, 1, 1, 2, 2, 2, 3, 3, 4, 4, 4, 5)),
    "m": _fine((2, 4, 6, 7, 8, 9, 11, 13, 15, 17, 20, 21, 23)),
    "n": _fine((4, 8, 10, 12, 15, 17, 20, 23, 27, 31, 34, 37, 40)),
    "p": _fine((6, 12, 15, 18, 22, 26, 32, 37, 43, 50, 56, 62, 68)),
    "r": (10, 15, 19, 23, 23, 28, 28, 34, 34, 41, 43, 51, 54, 63, 65, 68, 77, 80, 84, 94, 98, 108, 114, 126, 132),
    "s": (14, 19, 23, 28, 28, 35, 35, 43, 43, 53, 59, 71, 79, 92, 100, 108, 122, 130, 140, 158, 170, 190, 208, 232,
          252),
    "u": (18, 23, 28, 33, 33, 41, 48, 60, 70, 87, 102, 124, 144, 170, 190, 210, 236, 258, 284, 315, 350, 390, 435, 490,
          540),
}  # fmt: skip
"""Lower deviation ei of shafts k to u, micrometres (k: grades 4 to 7, otherwise 0)."""
T_FROM_24 = (41, 48, 54, 66, 75, 91, 104, 122, 134, 146, 166, 180, 196, 218, 240, 268, 294, 330, 360)
"""Lower deviation ei of shaft t, micrometres, from the range 24 to 30 mm on; t does not exist below."""

LETTERS = (*UPPER, "js", *LOWER, "t")
_FIT = re.compile(r"^([A-Za-z]{1,2})\s?(\d{1,2})$", re.ASCII)


class NoSuchFit(ValueError):
    """A designation that ISO 286-1 does not define, or that this table does not hold; the text says which."""


def deviations(size_mm: float, designation: str) -> tuple[float, float]:
    """Return lower and upper deviation in millimetres of a fit designation at a nominal size.

    Parameters
    ----------
    size_mm : float
        Nominal size, above 0 up to 500 mm.
    designation : str
        Letter and grade: ``H7`` (hole, capital letter), ``g6`` (shaft, small letter).

    Raises
    ------
    NoSuchFit
        With the reason in words.

    Examples
    --------
    >>> deviations(25, "H7")
    (0.0, 0.021)
    >>> deviations(25, "g6")
    (-0.02, -0.007)
    """
    matched = _FIT.match(designation.strip())
    if not matched:
        raise NoSuchFit(f"{designation!r} is no fit designation such as H7 or g6")
    letters, grade = matched.group(1), int(matched.group(2))
    if letters not in (letters.lower(), letters.upper()):
        raise NoSuchFit(f"{letters}{grade} mixes capital (hole) and small (shaft) letters")
    letter, hole = letters.lower(), letters.isupper()
    if not 0 < size_mm <= GRADE_STEPS[-1]:
        raise NoSuchFit(f"a nominal size of {size_mm:g} mm is outside this table (above 0 up to 500 mm)")
    if letter not in LETTERS:
        known = ", ".join(name.upper() if hole else name for name in LETTERS)
        raise NoSuchFit(f"the position {letters} is not held in this version's table ({known})")
    if grade not in GRADES:
        raise NoSuchFit(f"grade {grade} is outside this table (1 to 18)")
    if size_mm <= 1 and (grade >= 14 or letter in ("a", "b") or (hole and letter == "n" and grade > 8)):
        raise NoSuchFit(f"{letters}{grade} is not defined for sizes up to 1 mm")
    coarse = next(i for i, end in enumerate(GRADE_STEPS) if size_mm <= end)
    fine = next(i for i, end in enumerate(DEVIATION_STEPS) if size_mm <= end)
    width = GRADES[grade][coarse]
    if letter == "js":
        low, high = -width / 2, width / 2
    elif letter in UPPER:
        upper = UPPER[letter][fine]
        low, high = (-upper, -upper + width) if hole else (upper - width, upper)
    elif hole:
        high = _upper_of_hole(letter, grade, coarse, fine)
        low = high - width
    else:
        low = 0.0 if letter == "k" and not 4 <= grade <= 7 else _lower_of_shaft(letter, fine)
        high = low + width
    return round(low / 1000.0, 7) + 0.0, round(high / 1000.0, 7) + 0.0


def _lower_of_shaft(letter: str, fine: int) -> float:
    """Return ei of shafts k to u, micrometres."""
    if letter != "t":
        return LOWER[letter][fine]
    first = DEVIATION_STEPS.index(30)
    if fine < first:
        raise NoSuchFit("the position t is not defined up to 24 mm")
    return T_FROM_24[fine - first]


def _upper_of_hole(letter: str, grade: int, coarse: int, fine: int) -> float:
    """Return ES of holes K to U, micrometres: the shaft's deviation mirrored, plus the standard's difference."""
    small = coarse == 0
    if letter == "n" and grade > 8 and not small:
        return 0.0
    if letter == "k" and grade > 8:
        if not small:
            raise NoSuchFit("the position K is not defined above grade 8 for sizes above 3 mm")
        return 0.0
    mirrored = -_lower_of_shaft(letter, fine)
    # the difference applies above 3 mm: K, M, N up to grade 8, P and beyond up to grade 7; grades below 3 have none
    highest = 8 if letter in ("k", "m", "n") else 7
    if small or grade > highest:
        return mirrored
    if letter == "m" and grade == 6 and GRADE_STEPS[coarse] == 315:
        return -9.0  # special case named in the standard
    if grade < 3:
        raise NoSuchFit(f"the position {letter.upper()} is not held below grade 3 in this version")
    return mirrored + GRADES[grade][coarse] - GRADES[grade - 1][coarse]
