"""The board in a real browser, opened from a file: refresh, silence, focus, colours, what a reader hears."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from runner.records import Outcome
from runner.report.board import board_html
from runner.report.board_style import DARK, LIGHT
from tests.report.board_samples import board, part, station
from tests.report.chromium import CHROMIUM, Browser
from tests.report.test_board import EVIL

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")

TEXT = "document.querySelector('#board').innerText"
SILENT = "!document.querySelector('#silent').hidden"


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    with Browser(tmp_path_factory.mktemp("profile")) as browser:
        yield browser
        assert browser.console == [], "no error, and nothing refused by the page's own policy"


@pytest.fixture
def shown(browser, tmp_path):
    path = tmp_path / "board.html"

    def show(data, *, opened=True, refresh_s=1.0):
        temporary = tmp_path / "temporary"
        temporary.write_text(board_html(data, refresh_s=refresh_s), encoding="utf-8", errors="replace")
        temporary.replace(path)
        if opened:
            browser.open(path)
        return path

    return show


def now():
    return datetime.now(UTC)


def rgb(colour):
    return "rgb({}, {}, {})".format(*(int(colour[k : k + 2], 16) for k in (1, 3, 5)))


def test_a_new_file_is_taken_over_in_place_and_said_once(browser, shown):
    shown(board(now()))
    assert "0047" in browser.run(TEXT) and not browser.run(SILENT)
    browser.run("window.same = true; window.scrollTo(0, 50)")
    parts = (part("0099", Outcome.REJECT, 1, now(), why="does not conform: 5"), *board(now()).parts)
    shown(board(now(), parts=parts), opened=False)
    browser.wait(f"{TEXT}.includes('0099')")
    assert browser.run("window.same") is True, "the page was not loaded anew"
    assert browser.run("window.scrollY") == 50
    said = browser.run("document.querySelector('#said').textContent")
    assert said == "Newest: reject, serial 0099, part WV-210"
    assert browser.run("document.querySelectorAll('iframe').length") <= 1, "frames do not pile up"
    assert browser.run("document.title").startswith("reject 0099")


def test_a_file_that_goes_away_leaves_the_board_and_a_new_one_is_found_again(browser, shown):
    path = shown(board(now()))
    path.unlink()
    browser.wait("performance.now() > 3000")
    assert "0047" in browser.run(TEXT), "no error page, ever"
    shown(board(now(), parts=(part("0100", Outcome.ACCEPT, 1, now()),)), opened=False)
    browser.wait(f"{TEXT}.includes('0100')")


def test_an_old_file_says_since_when_the_service_is_silent(browser, shown):
    old = now() - timedelta(minutes=10)
    data = board(old, stations=(station(old), station(old, "bench 3", state="stopped")))
    shown(data)
    assert browser.run(SILENT)
    text = browser.run("document.querySelector('#silent').innerText")
    assert "Service silent since" in text and "(10 min)" in text and "bench 1" in text and "bench 3" not in text
    assert "silent" in browser.run("document.querySelector('tr[data-name=\"bench 1\"]').innerText")
    assert "Service silent since" in browser.run("document.querySelector('#said').textContent")
    shown(board(now()), opened=False)
    browser.wait(f"!({SILENT})")


def test_silence_is_found_while_the_page_is_open(browser, shown):
    data = board(now())
    shown(replace(data, stations=tuple(replace(s, silent_after_s=4.0) for s in data.stations)))
    assert not browser.run(SILENT)
    browser.wait(SILENT)


def test_a_clock_that_is_wrong_does_not_make_a_living_service_dead(browser, shown):
    """The screen's computer is an hour ahead: after one refresh the service is known to live."""

    def behind():
        return now() - timedelta(hours=1)

    shown(board(behind()))
    assert browser.run(SILENT), "the first look can't know better"
    shown(board(behind()), opened=False)
    browser.wait(f"!({SILENT})")


def test_focus_stays_and_is_never_stolen(browser, shown):
    shown(board(now()))
    assert browser.run("document.activeElement === document.body")
    browser.key("Tab", 9)
    assert browser.run("document.activeElement.id") == "pause", "the first stop stops the refreshing"
    browser.run("document.querySelector('#table-services').focus()")
    shown(board(now(), parts=(part("0101", Outcome.ACCEPT, 1, now()),)), opened=False)
    browser.wait(f"{TEXT}.includes('0101')")
    assert browser.run("document.activeElement.id") == "table-services"
    browser.run("document.querySelector('#pause').click()")
    assert browser.run("document.querySelector('#pause').getAttribute('aria-pressed')") == "true"
    shown(board(now(), parts=(part("0102", Outcome.ACCEPT, 1, now()),)), opened=False)
    start = browser.run("performance.now()")
    browser.wait(f"performance.now() > {start + 2500}")
    assert "0102" not in browser.run(TEXT), "paused"
    browser.run("document.querySelector('#pause').click()")
    browser.wait(f"{TEXT}.includes('0102')")


@pytest.mark.parametrize(("scheme", "palette"), [("light", LIGHT), ("dark", DARK)])
def test_colours_follow_the_scheme(browser, shown, scheme, palette):
    browser.scheme(scheme)
    shown(board(now()))
    computed = "getComputedStyle(document.querySelector('{}')).{}"
    assert browser.run(computed.format("html", "backgroundColor")) == rgb(palette["ground"])
    for outcome in Outcome:
        tag = f".tag.{outcome.value}"
        assert browser.run(computed.format(tag, "backgroundColor")) == rgb(palette[f"{outcome.value}-fill"])
        assert browser.run(computed.format(tag, "color")) == rgb(palette[f"{outcome.value}-ink"])
    browser.scheme("light")


def test_what_counts_can_be_read_from_three_metres(browser, shown):
    """On a screen of 1,920 pixels: outcome and serial of six parts, without scrolling, letters of 4rem and more.

    A cap height of 16 minutes of arc at 3 m is 14 mm (ISO 9241-303, figure from memory): 50 of the 1,920 pixels of a
    screen that is 0.53 m wide, or 70 pixels of font size at the usual cap height of 0.7.
    """
    browser.size(1920, 1080)
    shown(board(now()))
    sizes = browser.run(
        "[...document.querySelectorAll('.tag .outcome, .tag .serial')]"
        ".map(e => [parseFloat(getComputedStyle(e).fontSize), e.getBoundingClientRect().bottom])"
    )
    assert len(sizes) == 12 and all(size >= 70 and bottom <= 1080 for size, bottom in sizes)


@pytest.mark.parametrize("width", [360, 800, 1280, 1920, 3840])
def test_nothing_is_cut_off_at_any_width(browser, shown, width):
    browser.size(width, 900)
    long = part("W" * 250, Outcome.HOLD, 5, now(), part="P" * 80, lot="L" * 80, why="a reason " * 40)
    shown(board(now(), parts=(long, *board(now()).parts)))
    assert browser.run("document.documentElement.scrollWidth") <= width
    out = browser.run(
        "[...document.querySelectorAll('.tag bdi, .tag p, .card h3, .card p')]"
        f".filter(e => e.getBoundingClientRect().right > {width} + 1).map(e => e.textContent.slice(0, 30))"
    )
    assert out == []
    browser.size(1920, 1080)


def test_a_reader_hears_names_roles_and_no_symbols(browser, shown):
    shown(board(now()))
    names = browser.names()
    roles = {role for role, _ in names}
    assert {"banner", "main", "contentinfo", "heading", "table", "columnheader", "rowheader", "status"} <= roles
    headings = [name for role, name in names if role == "heading"]
    assert {"Inspection board", "Last parts", "What to do", "WV-210 0047"} <= set(headings)
    regions = {name for role, name in names if role == "region"}
    assert {"Last parts", "What to do", "Today", "In the works", "Stations"} <= regions
    assert ("button", "Pause refreshing") in names


@pytest.mark.parametrize("evil", EVIL)
def test_no_text_from_outside_runs_or_becomes_an_element(browser, shown, evil):
    data = board(now())
    parts = tuple(replace(p, serial=evil, part=evil, why=evil, remark=evil) for p in data.parts)
    tasks = tuple(replace(t, title=evil, why=evil, what_to_do=evil) for t in data.tasks)
    shown(replace(data, parts=parts, tasks=tasks, trouble=(evil,)))
    count = "document.querySelectorAll('#board img, #board script, #board style, #board iframe, h1').length"
    assert browser.run(count) == 1
    assert browser.run("document.querySelectorAll('.tag').length") == 6
