"""The child process of the E57 reader: file in, raw float64 points and one line of JSON out.

It is run as a script and imports nothing of the package, so that it starts quickly and can't disturb it.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import sys
from typing import Any

_CHUNK = 1 << 18
_CARTESIAN = ("cartesianX", "cartesianY", "cartesianZ")
_SPHERICAL = ("sphericalRange", "sphericalAzimuth", "sphericalElevation")


class _Refused(Exception):
    """Why the file is not read, for the user."""


def _limit(memory_bytes: int, seconds: int) -> None:
    """Let the system stop this process when it takes too much (where the system can)."""
    with contextlib.suppress(ImportError):
        import resource

        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))
        resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 1))


def _pose(scan: Any, e57: Any, np: Any) -> tuple[Any, Any]:
    """Rotation matrix and translation of a scan; identity where the file gives none."""
    turn, shift = np.eye(3), np.zeros(3)
    if not scan.isDefined("pose"):
        return turn, shift
    pose = e57.StructureNode(scan.get("pose"))
    if pose.isDefined("rotation"):
        node = e57.StructureNode(pose.get("rotation"))
        w, x, y, z = (_value(node, axis, e57) for axis in "wxyz")
        length = (w * w + x * x + y * y + z * z) ** 0.5
        if not 0.99 < length < 1.01:
            raise _Refused(f"a scan's rotation has the length {length:.6g} instead of 1.")
        w, x, y, z = w / length, x / length, y / length, z / length
        turn = np.array(
            [
                [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
                [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
                [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
            ]
        )
    if pose.isDefined("translation"):
        node = e57.StructureNode(pose.get("translation"))
        shift = np.array([_value(node, axis, e57) for axis in "xyz"])
        if not np.isfinite(shift).all():
            raise _Refused("a scan's translation is not finite.")
    return turn, shift


def _value(node: Any, name: str, e57: Any) -> float:
    """A number, whichever of the three kinds of number node holds it."""
    child = node.get(name)
    kind = child.type()
    if kind == e57.NodeType.E57_FLOAT:
        return float(e57.FloatNode(child).value())
    if kind == e57.NodeType.E57_SCALED_INTEGER:
        return float(e57.ScaledIntegerNode(child).scaledValue())
    return float(e57.IntegerNode(child).value())


def _read_scan(image: Any, scan: Any, out: Any, room: int, e57: Any, np: Any) -> tuple[int, int]:
    """Append the valid points of one scan to ``out``; returns the numbers of valid and invalid points."""
    if not scan.isDefined("points"):
        return 0, 0
    points = e57.CompressedVectorNode(scan.get("points"))
    count = points.childCount()
    if count == 0:
        return 0, 0
    if count > room:
        raise _Refused(f"{count} points are announced, more than the file's bytes can hold.")
    prototype = e57.StructureNode(points.prototype())
    if all(prototype.isDefined(n) for n in _CARTESIAN):
        names, state = _CARTESIAN, "cartesianInvalidState"
    elif all(prototype.isDefined(n) for n in _SPHERICAL):
        names, state = _SPHERICAL, "sphericalInvalidState"
    else:
        raise _Refused("a scan has neither cartesian nor spherical coordinates.")
    chunk = min(count, _CHUNK)
    fields = [np.empty(chunk) for _ in names]
    invalid = np.zeros(chunk, dtype=np.int8)
    buffers = e57.VectorSourceDestBuffer()
    for name, field in zip(names, fields, strict=True):
        buffers.append(e57.SourceDestBuffer(image, name, field, chunk, True, True))
    if prototype.isDefined(state):
        buffers.append(e57.SourceDestBuffer(image, state, invalid, chunk, True, True))
    turn, shift = _pose(scan, e57, np)
    reader = points.reader(buffers)
    done = valid = 0
    while True:
        got = int(reader.read())
        if got == 0:
            break
        done += got
        if done > count:
            raise _Refused(f"more than the {count} announced points follow.")
        a, b, c = (f[:got] for f in fields)
        if names is _SPHERICAL:
            flat = a * np.cos(c)
            a, b, c = flat * np.cos(b), flat * np.sin(b), a * np.sin(c)
        xyz = np.stack([a, b, c], axis=1)[invalid[:got] == 0]
        (xyz @ turn.T + shift).tofile(out)
        valid += len(xyz)
    reader.close()
    if done < count:
        raise _Refused(f"{count} points are announced, but only {done} follow.")
    return valid, count - valid


def _read(source: str, target: str) -> dict[str, int]:
    """All scans of the file."""
    import numpy as np
    from pye57 import libe57 as e57

    room = os.path.getsize(source)  # noqa: PTH202 - a script of few imports
    image = e57.ImageFile(source, "r")
    root = image.root()
    if not root.isDefined("data3D"):
        raise _Refused("holds no scans (no data3D).")
    scans = e57.VectorNode(root.get("data3D"))
    used = total = invalid = 0
    with open(target, "wb") as out, np.errstate(all="ignore"):  # noqa: PTH123
        for number in range(scans.childCount()):
            good, bad = _read_scan(image, e57.StructureNode(scans.get(number)), out, room - total, e57, np)
            total += good + bad
            invalid += bad
            used += good > 0
    if total == 0:
        raise _Refused("holds no points.")
    return {"scans": used, "invalid": invalid}


def _explain(error: Exception) -> dict[str, str]:
    """The library's exception as one sentence, with the page where it is known."""
    text = str(error)
    first = text.strip().splitlines()[0] if text.strip() else type(error).__name__
    page = re.search(r"\bpage=(\d+)", text)
    answer = {"error": f"the E57 library reports: {first}."}
    if page:
        answer["place"] = f"byte {int(page.group(1)) * 1024}"
    return answer


def main(source: str, target: str, memory_bytes: str, seconds: str) -> int:
    """Read ``source``; status 0 when the points are in ``target``."""
    try:
        import numpy  # noqa: F401
        import pye57  # noqa: F401
    except ImportError as error:
        answer: dict[str, Any] = {"kind": "missing", "error": str(error)}
    else:
        # Only now: the libraries' own start takes address space too.
        _limit(int(memory_bytes), int(seconds))
        try:
            answer = dict(_read(source, target))
        except _Refused as error:
            answer = {"error": str(error)}
        except MemoryError:
            answer = {"error": "needs more memory than is allowed."}
        except Exception as error:
            answer = _explain(error)
    sys.stdout.write("\n" + json.dumps(answer) + "\n")
    sys.stdout.flush()
    # The library's destructors may crash on a damaged file: leave without them.
    os._exit(0 if "scans" in answer else 3)


if __name__ == "__main__":
    main(*sys.argv[1:5])
