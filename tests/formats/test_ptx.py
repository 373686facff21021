from __future__ import annotations

import math

import numpy as np
import pytest

from runner.diagnostics import InputError
from runner.formats import ptx

HEAD = "0 0 0\n1 0 0\n0 1 0\n0 0 1\n"
SAME = "1 0 0 0\n0 1 0 0\n0 0 1 0\n0 0 0 1\n"
POINTS = "1 2 3 0.5\n0 0 0 0.5\n4 5 6 0.5\n7 8 9 0.5\n"


def turned(angle_deg: float, shift: tuple[float, float, float]) -> str:
    """Pose of a turn about z, written for row vectors: the shift stands in the last line."""
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    rows = [[c, s, 0, 0], [-s, c, 0, 0], [0, 0, 1, 0], [*shift, 1]]
    return "\n".join(" ".join(f"{v:.12f}" for v in row) for row in rows) + "\n"


def test_one_scan() -> None:
    got = ptx.read(("2\n2\n" + HEAD + SAME + POINTS).encode(), "a.ptx")
    assert got.points.tolist() == [[1, 2, 3], [4, 5, 6], [7, 8, 9]]
    assert got.notes == ("1 of 4 grid places without a point (0 0 0) dropped",)


def test_two_scans_with_poses() -> None:
    # A quarter turn takes x to y and y to -x.
    data = "2\n2\n" + HEAD + SAME + POINTS + "1\n2\n" + HEAD + turned(90, (100, 200, 300)) + "1 2 3 0.5\n4 0 0 1\n"
    got = ptx.read(data.replace("\n", "\r\n").encode(), "a.ptx")
    assert np.abs(got.points[3:] - [[98, 201, 303], [100, 204, 300]]).max() < 1e-9
    assert got.notes[-1] == "2 scans joined by their stated poses"


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ("2\n2\n" + HEAD + SAME + POINTS[:20] + "\n \n\n\n\n\n", "4 points are announced, but only 2 follow"),
        ("99999\n99999\n" + HEAD + SAME + POINTS, "99999 columns of 99999 rows are announced, but at most"),
        ("2\n2\n" + HEAD + SAME.replace("1 0 0 0", "2 0 0 0") + POINTS, "f.ptx (line 10): the transformation is not"),
        ("2\n2\n" + HEAD + SAME.replace("1 0 0 0", "-1 0 0 0") + POINTS, "the transformation is not a rotation"),
        ("2\n2.5\n" + HEAD + SAME + POINTS, "must be the numbers of columns and rows"),
        ("2\n2\n" + HEAD + SAME[:20], "expected 4 lines of 4 numbers"),
        ("2\n2\n" + HEAD + SAME, "no point follows"),
        ("2\n2\n" + HEAD + SAME + POINTS.replace("4 5 6", "4 5 b"), "f.ptx (line 13): something else stands"),
        ("1\n2\n" + HEAD + SAME + POINTS, "f.ptx (line 13): expected 2 lines of 1 numbers"),
    ],
)
def test_refusals(data: str, message: str) -> None:
    with pytest.raises(InputError) as caught:
        ptx.read(data.encode(), "f.ptx")
    assert message in str(caught.value)
