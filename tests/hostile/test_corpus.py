"""What fuzzing found, replayed: each file was once accepted, or refused with a message that could act on a screen."""

from __future__ import annotations

from pathlib import Path

import pytest

from runner.diagnostics import InputError
from runner.scan.read import read_scan

CORPUS = Path(__file__).parent / "corpus"
EXPECTED = {
    "binary-head-before-an-obj.stl": "is no plain text (bytes of value 0)",
    "control-character-behind-a-corner.ply": "element 'face' has something else where a whole number belongs",
    "control-character-in-a-type.pcd": r"(line 5): there is no type F\x04% of 4 bytes",
    "control-characters-in-a-column-name.csv": "(before line 2): the columns are named x, y, z",
    "corner-of-four-parts.obj": "(line 67): a face needs vertex indices such as",
    "form-feeds-inside-a-number.stl": "(line 76): a vertex must have three numbers, and nothing else",
    "element-line-with-more-words.ply": "(line 7): an element needs a name and a count, and nothing else",
    "faces-without-a-property.ply": "(line 9): the element 'face' has 98 rows and no property",
    "first-number-damaged-after-a-count.pts": "(line 2): '-' stands where a number belongs",
    "first-number-damaged-decimal-comma.txt": "(line 1): '1e' stands where a number belongs",
    "first-number-damaged-under-names.csv": "(line 2): '111111111111111111111111111111e+' stands where a number",
    "first-points-run-together-after-a-count.pts": "(line 2): '0..000' stands where a number belongs",
    "height-is-lost.pcd": "the header gives neither POINTS nor WIDTH and HEIGHT",
    "ragged-after-the-first-line.xyz": "(line 1): '0.001.09999999999990' stands where a number belongs",
    "zero-byte-between-two-corners.ply": "element 'face' has something else where a whole number belongs",
}


def test_every_file_is_expected_to_do_something() -> None:
    assert {path.name for path in CORPUS.iterdir()} == set(EXPECTED)


@pytest.mark.parametrize("name", EXPECTED)
def test_replay(name: str) -> None:
    with pytest.raises(InputError) as caught:
        read_scan(CORPUS / name)
    assert EXPECTED[name] in str(caught.value)
    assert str(caught.value).isprintable()
