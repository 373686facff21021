"""Mutated scans: each is read by the package, and a second time by the simple readers of ``fuzz_oracle``."""

from __future__ import annotations

import os
import struct
import tempfile
import zlib
from pathlib import Path

import numpy as np

from runner.diagnostics import InputError
from runner.geometry.mesh import ScanGeometry
from runner.scan.read import read_scan
from tests.formats.test_mutation import check, examples, mutate
from tests.studies import fuzz_oracle as oracle
from tests.studies import fuzz_oracle_headed as headed
from tests.studies.fuzz_harness import Answer

EXAMPLES = {name: data for name, (_, data) in examples().items()}
ENDINGS = {"ply": ".ply", "stl": ".stl", "obj": ".obj", "xyz": ".xyz", "csv": ".csv", "txt": ".txt", "pts": ".pts",
           "ptx": ".ptx", "pcd": ".pcd"}  # fmt: skip
WHOLE = ["0", "-1", "1", "63", "65", "127", "128", "255", "256", "65535", "65536", "2147483647", "2147483648"]
LARGE = ["4294967295", "4294967296", "999999999999", "9223372036854775807", "18446744073709551616", "1" * 40, "9" * 400]
REAL = ["1e3", "1e12", "1e308", "1e309", "-1e400", "1e-400", "nan", "NaN", "-nan", "inf", "-Infinity", "1.#QNAN"]
ODD = ["0x40", "6_4", "064", "+64", "64.0", "6 4", "", "-0", ".", "-", "1e", "1e+", "1d5", "1,5", "1.2.3", "٦٤", "６４"]
LONG = ["0." + "0" * 400 + "1", "1" * 30 + "e+", "1e99999999"]
EXTREMES = [word.encode() for word in WHOLE + LARGE + REAL + ODD + LONG]
FLOATS = [float("nan"), float("inf"), -float("inf"), -0.0, 5e-324, 1e-40, 3.4e38, 1e38, 1e99, 1.1e100, 1.7e308]


def numbers_in(data: bytes, stop: int) -> list[tuple[int, int]]:
    """Places of the words that begin with a digit or a sign."""
    found, i = [], 0
    while i < min(len(data), stop):
        if 48 <= data[i] <= 57:
            j = i
            while j < len(data) and data[j] in b"0123456789.eE+-":
                j += 1
            found.append((i, j))
            i = j
        i += 1
    return found


def damage(data: bytes, rng: np.random.Generator) -> tuple[bytes, str]:
    """One structured mutation, and its name."""
    kind = int(rng.integers(14))
    data = data or b"x"
    out = bytearray(data)
    at = int(rng.integers(len(out) + 1))
    if kind <= 1:
        places = numbers_in(data, 400 if kind == 0 else len(data))
        if places:
            a, b = places[int(rng.integers(len(places)))]
            out[a:b] = EXTREMES[int(rng.integers(len(EXTREMES)))]
        return bytes(out), "number"
    if kind == 2:
        places = numbers_in(data, 400)
        if places:
            a, b = places[int(rng.integers(len(places)))]
            if data[a:b].isdigit():
                out[a:b] = str(max(0, int(data[a:b]) + int(rng.integers(-2, 3)))).encode()
        return bytes(out), "count by one"
    if kind == 3:
        value = FLOATS[int(rng.integers(len(FLOATS)))]
        layout = ("<f", ">f", "<d", ">d")[int(rng.integers(4))]
        try:
            packed = struct.pack(layout, value)
        except OverflowError:
            packed = struct.pack(layout, float("inf"))
        if len(out) > 8:
            at = int(rng.integers(len(out) - 8))
            out[at : at + len(packed)] = packed
        return bytes(out), "binary number"
    if kind == 4:
        return bytes(out[: at or 1]), "cut"
    if kind == 5:
        other = EXAMPLES[list(EXAMPLES)[int(rng.integers(len(EXAMPLES)))]]
        return bytes(out[:at]) + other[int(rng.integers(len(other))) :], "splice"
    if kind == 6:
        lines = data.split(b"\n")
        a, b = (int(v) for v in rng.integers(len(lines), size=2))
        how = int(rng.integers(3))
        if how == 0:
            lines[a], lines[b] = lines[b], lines[a]
        elif how == 1:
            lines.insert(a, lines[b])
        else:
            del lines[a]
        return b"\n".join(lines) or b"\n", "lines"
    if kind == 7:
        words = data.split(b" ")
        a, b = (int(v) for v in rng.integers(len(words), size=2))
        words[a] = words[b]
        return b" ".join(words), "words"
    if kind == 8:
        return _encoded(data, int(rng.integers(9))), "encoding"
    if kind == 9:
        count = int(rng.integers(1, 30))
        out[at:at] = bytes([int(rng.integers(256))]) * count
        return bytes(out), "run"
    if kind == 10:
        return bytes(out) + bytes(out[at:]), "doubled end"
    if kind == 11:
        return bytes(out) + bytes(out), "twice"
    return mutate(bytes(out), rng) or b"x", "bytes"


def _encoded(data: bytes, how: int) -> bytes:
    text = data.decode("latin-1")
    return (
        b"\xef\xbb\xbf" + data, text.encode("utf-16"), text.encode("utf-16-le"), text.encode("utf-8"),
        data.replace(b"\n", b"\r\n"), data.replace(b"\n", b"\r"), zlib.compress(data), data.replace(b" ", b"\t"),
        data.replace(b" ", "\N{NO-BREAK SPACE}".encode()),
    )[how]  # fmt: skip


def make(seed: int, number: int) -> tuple[str, str, str, bytes]:
    """Example, mutations' names, ending of the file name, and the bytes of a case."""
    rng = np.random.default_rng((seed, 1, number))
    name = list(EXAMPLES)[int(rng.integers(len(EXAMPLES)))]
    data, said = EXAMPLES[name], []
    for _ in range(int(rng.choice([1, 1, 1, 2, 3]))):
        data, what = damage(data, rng)
        said.append(what)
    ending = ENDINGS[name.split()[0]]
    if rng.random() < 0.05:
        ending = list(ENDINGS.values())[int(rng.integers(len(ENDINGS)))]
        said.append("other ending")
    return name, "+".join(said), ending, data


def case(seed: int, number: int) -> Answer:
    """Read one mutated scan."""
    name, said, ending, data = make(seed, number)
    family = name.split()[0]
    path = Path(tempfile.gettempdir()) / f"fuzz-{os.getpid()}{ending}"
    path.write_bytes(data)
    answer = Answer("refused", family)
    try:
        got = read_scan(path)
    except InputError as error:
        if not str(error).isprintable():
            answer = Answer("finding", family, f"message: {str(error)!r}"[:300], data, ending)
        return answer
    except MemoryError:
        return Answer("finding", family, f"memory: {said}", data, ending)
    except Exception as error:
        return Answer("finding", family, f"{type(error).__name__}: {error} ({said})"[:400], data, ending)
    finally:
        path.unlink(missing_ok=True)
    wrong = examine(got.geometry, data, name) if "other ending" not in said else ""
    if wrong:
        return Answer("finding", family, f"{wrong} ({said})", data, ending)
    return Answer("accepted", family)


def examine(got: ScanGeometry, data: bytes, name: str) -> str:
    """What contradicts the file, or ""."""
    try:
        check(got)
    except AssertionError as error:
        return f"promise broken: {error}"
    start = data[:4]
    reader = {"ply": headed.ply, "stl": oracle.stl, "obj": oracle.obj, "pcd": headed.pcd}.get(name.split()[0])
    others = {"ply": b"ply", "pcd": b"#"}
    if reader is not None and not start.startswith(others.get(name.split()[0], b"")):
        return ""
    try:
        if reader is not None:
            said = reader(data)
        elif name == "ptx":
            return ""
        else:
            said = oracle.text(data, name)
    except oracle.Refuses as error:
        return f"accepted: the simple reader refuses it: {error}"
    return "" if said is None else compare(got, *said)


def compare(got: ScanGeometry, points: np.ndarray, triangles: np.ndarray | None) -> str:
    """The package's result against the simple reading, by the rules that the package states for what it leaves out."""
    with np.errstate(invalid="ignore"):
        usable = (np.abs(points) < 1e100).all(axis=1)
    if triangles is None or len(triangles) == 0:
        if got.triangles is not None:
            return "wrong: triangles where the file has none"
        wanted = points[usable]
        if len(wanted) != len(got.points):
            return f"wrong: {len(got.points)} points where the file has {len(wanted)}"
        return "" if _near(got.points, wanted) else "wrong: points differ"
    if got.triangles is None:
        return "wrong: the triangles are lost"
    corners = points[triangles[usable[triangles].all(axis=1)]]
    same = [(corners[:, i] == corners[:, j]).all(axis=1) for i, j in ((0, 1), (1, 2), (2, 0))]
    corners = corners[~(same[0] | same[1] | same[2])]
    found = got.points[got.triangles]
    if len(found) != len(corners):
        return f"wrong: {len(found)} triangles where the file has {len(corners)}"
    return "" if _near(found, corners) else "wrong: triangles differ"


def _near(a: np.ndarray, b: np.ndarray) -> bool:
    return bool(np.all(np.abs(a - b) <= 4e-15 * np.abs(b) + 1e-300))
