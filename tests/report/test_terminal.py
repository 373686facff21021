"""Table and summary for the terminal."""

import io
from dataclasses import replace

from rich.console import Console

from runner.report.terminal import inspection_table, summary
from tests.report.samples import make_inspection, small_lot


def shown(renderable, width=120):
    stream = io.StringIO()
    Console(file=stream, width=width, force_terminal=False, color_system=None).print(renderable)
    return stream.getvalue()


def test_a_reject_says_which_and_why():
    text = shown(inspection_table(small_lot()[1]))
    assert "PB-220 0102: reject  does not conform: 1" in text
    line = next(t for t in text.splitlines() if "12 +0.10/0" in t)
    assert "12.131 mm" in line and "+0.131" in line and "does not conform" in line


def test_a_hold_says_what_to_do():
    text = shown(inspection_table(small_lot()[5]))
    assert "only 18 % of the circle carries points" in text
    assert "What to do: Scan the pivot hole again from both sides." in text


def test_an_undecided_value_is_not_rounded_onto_its_limit():
    text = shown(inspection_table(make_inspection("1", diameter=12.0999)))
    assert "12.0999 mm" in text


def test_an_accept_is_one_line_and_drafts_are_marked():
    assert shown(summary(small_lot()[0])) == "PB-220 0101: accept\n"
    draft = make_inspection("1", recipe_status="draft")
    assert shown(summary(draft)) == "PB-220 1: accept  (unreleased recipe)\n"


def test_serials_can_not_steer_the_terminal():
    hostile = make_inspection("[bold red]x[/]\x1b[2J\x07")
    hostile = replace(hostile, reason="\x1b]0;title\x07", advice="[link=http://x]y[/link]")
    text = shown(inspection_table(hostile))
    assert "\x1b" not in text and "\x07" not in text
    assert "[bold red]x[/]␛[2J␇" in text and "[link=http://x]y[/link]" in text


def test_every_line_fits_a_narrow_terminal():
    assert max(map(len, shown(inspection_table(small_lot()[1]), width=60).splitlines())) <= 60
