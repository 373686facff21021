from __future__ import annotations

import io
import re

import numpy as np
import pytest

from runner.diagnostics import InputError
from runner.formats import text

ROWS = [[1.5, -2.25, 3.0], [4.125, 5.5, -6.75], [700.0, 0.001, 9.5], [-1e-3, 12.25, 8.0]]


def lines(rows: list[list[float]], separator: str, *, decimal: str = ".", end: str = "\n") -> str:
    return end.join(separator.join(str(v).replace(".", decimal) for v in row) for row in rows) + end


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("separator", [" ", "\t", ",", ";", ", ", " ; ", "   "])
@pytest.mark.parametrize(
    "head", ["", "# x y z\n", "// made by hand\n", "X,Y,Z\n", "x y z\n", "Scan of the part\n\n", "\ufeff"]
)
def test_separators_heads_and_line_ends(separator: str, end: str, head: str) -> None:
    data = (head.replace("\n", end) + lines(ROWS, separator, end=end)).encode()
    got = text.read(data, "a.xyz")
    assert np.array_equal(got.points, ROWS)
    assert got.notes == ()


@pytest.mark.parametrize("separator", [" ", "\t", ";", "; ", "  "])
@pytest.mark.parametrize("head", ["", "X;Y;Z\n", "4\n"])
def test_decimal_comma(separator: str, head: str) -> None:
    got = text.read((head + lines(ROWS, separator, decimal=",")).encode(), "a.txt")
    assert np.array_equal(got.points, ROWS)
    assert got.notes == ("numbers are written with a decimal comma",)


def test_whole_numbers_between_decimal_commas() -> None:
    got = text.read(b"1,5 2 3,25\n4 5,5 6\n7 8 9\n", "a.txt")
    assert got.points.tolist() == [[1.5, 2, 3.25], [4, 5.5, 6], [7, 8, 9]]


@pytest.mark.parametrize(
    "data",
    [
        b"1,5,2,5,3,5\n4,5,5,5,6,5\n",  # three decimals or six columns
        b"1,2,3,4,5,6\n7,8,9,1,2,3\n",
        b"1,5,2,3,5\n1,2,3,5\n",  # lines of different length
        b"1,5, 2,5, 3,5\n4,5, 5,5, 6,5\n",  # a comma as separator beside decimal commas
    ],
)
def test_two_readings_are_refused(data: bytes) -> None:
    with pytest.raises(InputError, match=r"f\.csv \(line 1\): commas may separate columns or decimals"):
        text.read(data, "f.csv")


def test_decimal_commas_in_columns_that_nobody_asked_for() -> None:
    assert text.read(b"1 2 3 0,5\n4 5 6 7\n", "a.txt").points.tolist() == [[1, 2, 3], [4, 5, 6]]


@pytest.mark.parametrize("damaged", ["5,x5", "5.5", "5,5.5", "x", "5,5,5", "5,555.5", "5,,5", "5,-5"])
@pytest.mark.parametrize("separator", [" ", ";"])
def test_one_damaged_number_does_not_make_columns_of_decimals(damaged: str, separator: str) -> None:
    rows = [["1,5", "2,25", "3,0"], ["4,5", damaged, "6,0"], ["7,5", "8,5", "9,0"]]
    data = "\n".join(separator.join(row) for row in rows)
    with pytest.raises(InputError, match=rf"f\.txt \(line 2\): '{re.escape(damaged)}' does not go with"):
        text.read(data.encode(), "f.txt")


@pytest.mark.parametrize("damaged", ["5,x50", "5;500.0", "x"])
def test_one_damaged_number_does_not_hide_signs_between_thousands(damaged: str) -> None:
    data = f"1,234.5 2,000.25 3,111.0\n4,234.5 {damaged} 6,111.0\n"
    with pytest.raises(InputError, match=r"f\.txt \(line 1\): numbers have a sign between the thousands"):
        text.read(data.encode(), "f.txt")


@pytest.mark.parametrize("data", [b"1,234.5 2,000.25 3,111.0\n", b"1.234,5;2.000,25;3.111,0\n"])
def test_signs_between_thousands_are_refused(data: bytes) -> None:
    with pytest.raises(InputError, match="sign between the thousands"):
        text.read(data, "f.txt")


def test_whole_numbers_with_commas() -> None:
    assert text.read(b"1,2,3\n4,5,6\n", "a.csv").points.tolist() == [[1, 2, 3], [4, 5, 6]]
    assert text.read(b"1, 2, 3\n4, 5, 6\n", "a.csv").points.tolist() == [[1, 2, 3], [4, 5, 6]]


def test_columns_by_name_in_any_order() -> None:
    data = b"id;Z [mm];Y [mm];X [mm];nz;ny;nx;label\n1;3.5;2.5;1.5;1;0;0;edge\n2;6;5;4;0;0;-2;face\n"
    got = text.read(data, "a.csv")
    assert got.points.tolist() == [[1.5, 2.5, 3.5], [4, 5, 6]]
    assert got.normals is not None and got.normals.tolist() == [[0, 0, 1], [-1, 0, 0]]


def test_header_in_a_comment_names_the_columns() -> None:
    got = text.read(b"//X,Y,Z,Intensity\n1.0,2.0,3.0,9\n4.0,5.0,6.0,9\n", "a.asc")
    assert got.points.tolist() == [[1, 2, 3], [4, 5, 6]]
    got = text.read(b"# intensity x y z\n9 1.0 2.0 3.0\n9 4.0 5.0 6.0\n", "a.asc")
    assert got.points.tolist() == [[1, 2, 3], [4, 5, 6]]


def test_extra_columns_without_names_are_passed_over() -> None:
    got = text.read(b"1.5 2 3 17 255 0 0\n4.5 5 6 18 0 255 0\n", "a.xyz")
    assert got.points.tolist() == [[1.5, 2, 3], [4.5, 5, 6]] and got.normals is None


def test_unit_vectors_without_names_are_normals(cloud: np.ndarray) -> None:
    normals = cloud / np.linalg.norm(cloud, axis=1)[:, None]
    body = "\n".join(" ".join(f"{v:.5f}" for v in row) for row in np.hstack([cloud, normals]))
    got = text.read(body.encode(), "a.xyz")
    assert got.normals is not None and np.abs(got.normals - normals).max() < 2e-5
    assert "taken as normals" in got.notes[0]


def test_count_lines() -> None:
    body = "1 2 3 -10 1 2 3\n4 5 6 20 1 2 3\n"
    assert text.read(("2\n" + body).encode(), "a.pts").points.tolist() == [[1, 2, 3], [4, 5, 6]]
    two = text.read(("2\r\n" + body + "1\n7 8 9 0 0 0 0\n").encode(), "a.pts")
    assert two.points.tolist() == [[1, 2, 3], [4, 5, 6], [7, 8, 9]]
    assert two.notes == ("2 blocks of points joined",)
    with pytest.raises(InputError, match=r"f\.pts \(line 1\): the count line announces 9999999999 points"):
        text.read(("9999999999\n" + body).encode(), "f.pts")
    with pytest.raises(InputError, match=r"the count line announces 3 points, but only 2 follow"):
        text.read(("3\n" + body.replace("1 2 3\n", "1 2 3 \n\n")).encode(), "f.pts")


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "is empty"),
        (b" \n\n", "is empty"),
        (b"\0\1\2\3\n", "f.xyz (byte 0): is no plain text"),
        ("1 2 3\n".encode("utf-16"), "is no plain text"),
        (b"only words here\nand here\n", "f.xyz (line 1): no line of three numbers was found"),
        (b"1 2\n3 4\n", "no line of three numbers was found"),
        (
            b"1 2 3\n4 5\n7 8 9\n",
            "f.xyz (line 2): the line has fewer than the 3 columns of the first. The file is damaged",
        ),
        (
            b"1 2 3\n4 5 6\n7 8",
            "f.xyz (line 3): the line has fewer than the 3 columns of the first. The file is cut off",
        ),
        (b"1 2 3\n4 5 67 8 9\n", "f.xyz (line 2): the line has more than the 3 columns"),
        (b"1 2 3\n4 5.5.5 6\n", "f.xyz (line 2): '5.5.5' is not a number"),
        (b"1.5 2 3\n4 5,5 6\n", "f.xyz (line 2): '5,5' does not go with the other numbers"),
        (b"east;north;height\n1.0;2.0;3.0\n", "the columns are named east, north, height"),
        (b"x;x;y;z\n1.0;2.0;3.0;4.0\n", "two columns are named x"),
        (b"1.5 2 x\n4 5 6\n", "f.xyz (line 1): 'x' stands where a number belongs"),
        (b"x,5;2,0;3,0\n4,5;5,0;6,0\n", "f.xyz (line 1): 'x' stands where a number belongs"),
        (b"2\n1..5 x 3\n4 5 6\n7 8 9\n", "f.xyz (line 2): '1..5' stands where a number belongs"),
        (b"1 2 3\n4 5.\0\0 6\n", "f.xyz (byte 10): is no plain text"),
        (b"1 2 3\n4 5.\1\1 6\n", "f.xyz (line 2): '5.\\x01\\x01' is not a number"),
        (b"0\n1 2 3\n", "f.xyz (line 1): the count line announces 0 points"),
        (b"nan nan nan\nnan nan nan\n", "no point has finite coordinates"),
    ],
)
def test_refusals_name_the_line(data: bytes, message: str) -> None:
    with pytest.raises(InputError) as caught:
        text.read(data, "f.xyz")
    assert message in str(caught.value)


def test_the_old_mark_of_the_end_is_passed_over() -> None:
    assert len(text.read(b"1 2 3\r\n4 5 6\r\n\x1a", "a.txt").points) == 2


def test_a_hole_of_zero_bytes_far_from_the_beginning_is_no_blank() -> None:
    data = b"1.25 2.5 3.75\n" * 6000
    assert len(text.read(data, "a.xyz").points) == 6000
    place = 5500 * 14 + 6
    with pytest.raises(InputError, match=r"f\.xyz \(byte 77006\): is no plain text"):
        text.read(data[:place] + b"\0\0" + data[place + 2 :], "f.xyz")


def test_write_then_read(cloud: np.ndarray) -> None:
    target = io.StringIO()
    text.write(target, cloud, digits=9)
    got = text.read(target.getvalue().encode(), "a.xyz")
    assert np.abs(got.points - cloud).max() <= 0.5e-9
    target = io.StringIO()
    text.write(target, cloud, normals=cloud / np.linalg.norm(cloud, axis=1)[:, None])
    assert text.read(target.getvalue().encode(), "a.xyz").normals is not None


def test_against_an_independent_parser(cloud: np.ndarray) -> None:
    """Oracle: numpy.loadtxt."""
    body = "\n".join(" ".join(f"{v:.6g}" for v in row) for row in cloud)
    assert np.array_equal(text.read(body.encode(), "a.xyz").points, np.loadtxt(io.StringIO(body)))


def test_huge_extra_columns_are_no_normals() -> None:
    got = text.read(b"1.5 2 3 1e200 0 0\n" * 5, "a.xyz")
    assert got.normals is None
