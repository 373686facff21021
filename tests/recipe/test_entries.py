"""Results of other gauges, entered beside a scan."""

import pytest

from runner.recipe.entries import parse_entries

KINDS = {"17": "go/no-go", "18": "value", "19": "visual"}
GOOD = """\
entries: 1
person: inspector of the day
results:
  "17": {result: pass, gauge: TG-8, calibrated: 2026-09-30}
  "18": {value: 12.03, gauge: MC-7, calibrated: 2026-08-12, note: at 21 degrees}
  "19": {result: fail, person: somebody else}
"""


def test_all_three_kinds() -> None:
    found, problems = parse_entries(GOOD, "x.entries.yaml", KINDS)
    assert not problems
    assert (found["17"].passed, found["17"].value, found["17"].gauge) == (True, None, "TG-8")
    assert (found["18"].passed, found["18"].value, found["18"].note) == (None, 12.03, "at 21 degrees")
    assert (found["19"].passed, found["19"].person) == (False, "somebody else")


@pytest.mark.parametrize(
    ("change", "line", "said"),
    [
        (('"17": {result: pass', '"71": {result: pass'), 4, "is no other gauge of the recipe"),
        (("result: pass", "result: yes"), 4, "'yes' is not a result"),
        (("at 21 degrees", '"at \\e[31m21"'), 5, "note must be at most 1000 characters that can be printed"),
        (("TG-8", '"TG\\u202e8"'), 4, "gauge must be at most 1000 characters that can be printed"),
        (("TG-8", "x" * 1001), 4, "gauge must be at most 1000 characters that can be printed"),
        (("result: pass", "value: 3"), 4, 'takes "result", not "value"'),
        (("value: 12.03", "value: 12,03"), 5, "unknown key"),
        (("value: 12.03", "value: nan"), 5, "'nan' is not a number"),
        (("value: 12.03", "value: 1e999"), 5, "is not a number"),
        (("2026-09-30", "30.9.2026"), 4, "is not a date"),
        (("gauge: TG-8, ", ""), 4, 'the key "gauge" is missing'),
        (("person: inspector of the day\n", ""), 1, 'the key "person" is missing'),
        (("entries: 1", "entries: 2"), 1, "is not known"),
        (("results:", "result:"), 3, 'unknown key "result"'),
        (("{result: fail, person: somebody else}", "fail"), 6, "must be a map"),
    ],
)
def test_each_mistake_is_named_with_its_line(change: tuple[str, str], line: int, said: str) -> None:
    text = GOOD.replace(*change)
    assert text != GOOD
    found, problems = parse_entries(text, "x.entries.yaml", KINDS)
    assert any(p.line == line and said in p.message for p in problems), problems
    # an entry with a mistake is not taken at all
    assert {4: "17", 5: "18", 6: "19"}.get(line) not in found


def test_an_alias_bomb_or_a_second_entry_is_refused() -> None:
    for text in ("a: &a [x]\nb: [*a, *a]\n", GOOD + '  "17": {result: fail, gauge: TG-8, calibrated: 2026-09-30}\n'):
        assert parse_entries(text, "x.entries.yaml", KINDS)[1]
