"""Small inputs that ask for much: refused in bounded time and memory, with a word on what is wrong.

Alias bombs, nesting and sizes of recipes are in ``tests/recipe/test_text.py``, those of the files beside a scan here;
counts that lie in PLY, PTS, PTX and PCD in ``tests/formats``.
"""

from __future__ import annotations

import io
import zipfile
import zlib
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from runner.diagnostics import InputError
from runner.formats import e57
from runner.intake.job import Job
from runner.intake.piece import parse_piece
from runner.intake.workers import Workers
from runner.nominal.load import load_nominal
from runner.pipeline.identity import Identity
from runner.recipe.entries import parse_entries
from runner.recipe.load import parse_recipe
from runner.recipe.show import problems_text
from runner.scan.read import EXTENSIONS, read_scan
from tests.formats import e57_pages
from tests.formats.test_mutation import bounded_memory
from tests.hostile.within import within
from tests.intake.test_workers import answers
from tests.studies.stub import RECIPE

MIB = 1 << 20


@cache
def archive() -> bytes:
    """Half a GiB of zeros in half a MiB, as a spreadsheet's container holds its sheets."""
    packer = zlib.compressobj(9)
    body = b"".join(packer.compress(bytes(MIB)) for _ in range(512)) + packer.flush()
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as target:
        target.writestr("xl/worksheets/sheet1.xml", body)
    return file.getvalue()


@pytest.mark.parametrize("ending", sorted({*EXTENSIONS, ".xlsx", ".zip"}))
def test_a_packed_file_is_never_unpacked(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"scan{ending}"
    path.write_bytes(archive())
    with within(30), bounded_memory(100 * MIB), pytest.raises(InputError) as caught:
        read_scan(path)
    assert path.name in str(caught.value)


@pytest.mark.parametrize("ending", sorted(EXTENSIONS))
def test_a_file_of_nothing_but_size_is_refused_before_its_size_is_asked_for(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"scan{ending}"
    with path.open("wb") as stream:
        stream.truncate(2 << 30)
    # the file itself is mapped, which takes address space and no memory
    with within(60), bounded_memory((2 << 30) + 200 * MIB), pytest.raises(InputError):
        read_scan(path)


def test_e57_counts_that_lie(tmp_path: Path) -> None:
    points = np.arange(90.0).reshape(-1, 3)
    before, xml = e57_pages.take_apart(e57_pages.example(tmp_path / "a.e57", points))
    for count, said in (
        (10**12, "more than the file's bytes can hold"),
        (2**63, "the E57 library reports|more than the file's bytes can hold"),
        (31, "31 points are announced, but only 30 follow"),
        (-1, "the E57 library reports"),
    ):
        data = e57_pages.put_together(before, xml.replace(b'recordCount="30"', f'recordCount="{count}"'.encode()))
        with within(60), bounded_memory(200 * MIB), pytest.raises(InputError, match=said):
            e57.read(data, "f.e57")


def test_step_with_brackets_without_end(tmp_path: Path) -> None:
    path = tmp_path / "part.step"
    nested = b"(" * 200_000 + b")" * 200_000
    path.write_bytes(
        b"ISO-10303-21;\nHEADER;\nFILE_DESCRIPTION((''),'2;1');\nFILE_NAME('','',(''),(''),'','','');\n"
        b"FILE_SCHEMA(('AUTOMOTIVE_DESIGN'));\nENDSEC;\nDATA;\n#1=CARTESIAN_POINT('',"
        + nested
        + b");\nENDSEC;\nEND-ISO-10303-21;\n"
    )
    with within(120), pytest.raises(InputError, match=r"part\.step"):
        load_nominal(path)


ALIASES = "a0: &a0 [x, x]\n" + "".join(f"a{i}: &a{i} [*a{i - 1}, *a{i - 1}]\n" for i in range(1, 60))
BOMBS = {
    "aliases": ALIASES,
    "merges": "a: &a {b: 1}\nc: {<<: *a}\n",
    "depth": "piece: " + "[" * 5000,
    "digits": "piece: " + "9" * 3999,
    "exponent": "piece: 1e999999999",
    "many": "".join(f"k{i}: 1\n" for i in range(200_000)),
    "binary": "piece: !!binary " + "A" * 3000,
    "escapes": 'piece: "' + "\\u202e" * 600 + '"',
}


@pytest.mark.parametrize("name", BOMBS)
def test_files_beside_a_scan(name: str) -> None:
    text = BOMBS[name]
    with within(30), bounded_memory(300 * MIB):
        for problems in (parse_piece(text, "x")[1], parse_entries(text, "x", {"1": "value"})[1]):
            assert problems and len(problems_text(problems)) < 200_000
            assert all(c.isprintable() or c == "\n" for c in problems_text(problems))


@pytest.mark.parametrize(
    "written",
    ["9" * 3900, "1e400", "-1e400", "1e999999999", "1" + "0" * 400 + "/3", "0x" + "f" * 900, "1_000_000", "1:30:00"],
)
def test_numbers_that_no_part_has(written: str) -> None:
    text = RECIPE.format(number="ST-1", pattern="{part}_{serial}.*", more="")
    for before in ("spacing: 0.5", "10, 10, 20", "20 ±0.1"):
        assert before in text
        changed = text.replace(before, before.replace(before.split()[-1], written))
        with within(30):
            recipe, problems = parse_recipe(changed, "r.yaml")
        assert recipe is None and any(p.line and p.severity == "error" for p in problems), before


@pytest.mark.parametrize(("memory", "seconds", "said"), [(64 * MIB, 60.0, "more memory"), (0, 1.0, "longer than 1 s")])
def test_a_scan_beyond_the_limits_of_one_measurement(tmp_path: Path, memory: int, seconds: float, said: str) -> None:
    """The real measuring process and reader: three GiB that look like the points of a PLY file."""
    scan = tmp_path / "ST-1_1.ply"
    count = 250_000_000
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {count}\n"
    head += "".join(f"property float {axis}\n" for axis in "xyz") + "end_header\n"
    with scan.open("wb") as stream:
        stream.write(head.encode())
        stream.truncate(len(head) + 12 * count)
    workers = Workers(1, measure="tests.hostile.work:read", memory_bytes=memory, time_limit_s=seconds, cores=1)
    try:
        workers.submit(Job("claim", (scan,), tmp_path / "r.yaml", Identity("1"), ("0" * 64,), tmp_path / "stage"))
        found = answers(workers, 1, 60.0)
    finally:
        workers.close(wait=False)
    assert said in found["claim"].fault and found["claim"].advice
