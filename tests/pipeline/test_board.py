"""From ledger and beats to what the board shows."""

import base64
import io
import os
from dataclasses import replace
from datetime import datetime, timedelta, timezone

import pytest
from PIL import Image

from runner.ledger.store import Ledger
from runner.pipeline.board import AGAIN, MOST_TASKS, board_data, picture_address, write_board
from runner.records import Outcome
from runner.report.board_data import BoardTask
from runner.report.text import strange_letters
from tests.report.board_samples import station
from tests.report.samples import make_inspection, sha

EAST = timezone(timedelta(hours=9))
NOW = datetime(2026, 10, 5, 20, 30, tzinfo=EAST)  # 11:30 UTC; the day there began at 15:00 UTC the day before


class Clock:
    now = "2026-10-05T11:00:00.000Z"

    def __call__(self):
        return self.now


@pytest.fixture
def place(tmp_path):
    clock = Clock()
    with Ledger.open(tmp_path / "ledger.db", clock=clock) as ledger:
        yield ledger, tmp_path, clock


def look(place, refused=(), **more):
    return board_data(place[0], [station()], refused, place[1], NOW, **more)


def picture(path, size=(1800, 1300)):
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.new("RGB", size, (200, 40, 40)).save(path)


def test_today_is_the_day_at_the_bench(place):
    ledger, _, clock = place
    for number, moment in enumerate(
        ("2026-10-04T14:59:59.999Z", "2026-10-04T15:00:00.000Z", "2026-10-05T10:29:59Z", "2026-10-05T10:30:00.000Z")
    ):
        clock.now = moment
        ledger.record(make_inspection(f"{number:04d}", minute=number))
    data = look(place)
    assert dict(data.today)[Outcome.ACCEPT] == 3 and data.last_hour == 1
    assert data.made_utc == "2026-10-05T11:30:00.000Z"


def test_a_hold_says_what_to_do_with_the_picture_of_where(place):
    ledger, out, _ = place
    ledger.record(make_inspection("0106", diameter=None))
    assert look(place).tasks[0].picture == "PB-220/pictures/0106.png", "the deviation picture where there is no better"
    picture(out / f"PB-220/pictures/0106{AGAIN}")
    (task,) = look(place).tasks
    assert task.picture == f"PB-220/pictures/0106{AGAIN}" and "again" in task.picture_text
    assert task.what_to_do == "Scan the pivot hole again from both sides." and task.title == "PB-220 0106"
    ledger.record(make_inspection("0106", minute=9))
    assert look(place).tasks == (), "a later attempt settles it"


def test_a_waiting_accept_is_shown_as_reject_and_is_a_task(place):
    ledger, _, _ = place
    ledger.record(make_inspection("0102", diameter=12.131))
    ledger.record(make_inspection("0102", minute=9))
    data = look(place)
    assert [(p.outcome, p.of_scan, p.counts) for p in data.parts] == [
        (Outcome.REJECT, Outcome.ACCEPT, True),
        (Outcome.REJECT, Outcome.REJECT, True),
    ]
    assert "stands until a person decides" in data.parts[0].remark and data.parts[0].attempt == 2
    assert "Keep the piece apart" in data.tasks[0].what_to_do


def test_replaced_void_and_unreleased_are_marked(place):
    ledger, _, _ = place
    ledger.record(make_inspection("0101"))
    ledger.record(make_inspection("0101", minute=9))
    third = make_inspection("0103", minute=10)
    ledger.record(third)
    ledger.void(third.id, reason="wrong piece", person="P. Vane")
    void, newest, first = look(place).parts
    assert not void.counts and "void: wrong piece" in void.remark
    assert newest.counts and "not released" in newest.remark and "replaced" not in newest.remark
    assert not first.counts and "replaced by a later attempt" in first.remark


def test_look_alike_letters_are_named(place):
    ledger, _, _ = place
    ledger.record(make_inspection("\u041001"))
    assert "serial holds \u0410 (U+0410)" in look(place).parts[0].remark
    assert strange_letters("A01-x_.") == "" and "\uff11 (U+FF11)" in strange_letters("\uff11")


def test_tasks_are_newest_first_and_capped_with_the_number_of_the_rest(place):
    refused = [BoardTask(f"f{n}", "w", "d", f"2026-10-05T0{n}:00:00.000Z") for n in range(8)]
    data = look(place, refused)
    assert [t.title for t in data.tasks] == [f"f{n}" for n in range(7, 7 - MOST_TASKS, -1)]
    assert data.more_tasks == 8 - MOST_TASKS


def test_pictures_are_small_and_come_from_the_output_folder_only(place, tmp_path_factory):
    _, out, _ = place
    picture(out / "P" / "a.png")
    address = picture_address(out, "P/a.png")
    assert address.startswith("data:image/png;base64,")
    shown = Image.open(io.BytesIO(base64.b64decode(address.split(",")[1])))
    assert max(shown.size) == 720
    outside = tmp_path_factory.mktemp("outside") / "secret.png"
    picture(outside)
    (out / "P" / "link.png").symlink_to(outside)
    (out / "P" / "bad.png").write_text("no picture")
    os.mkfifo(out / "P" / "pipe.png")
    names = (
        f"../{outside.parent.name}/secret.png",
        str(outside),
        "P/link.png",
        "P/pipe.png",
        "P",
        "",
        "\0",
        "x" * 5000,
    )
    assert {picture_address(out, name) for name in names} == {""}
    assert picture_address(out, "P/bad.png") == ""
    picture(out / "P" / "a.png", (10, 10))
    assert picture_address(out, "P/a.png") != address, "a new picture of that name is read anew"


def test_the_page_is_written_whole_with_names_that_are_no_text(place):
    ledger, out, _ = place
    one = make_inspection("A\udcff\u202e<b>", minute=3)
    ledger.record(replace(one, provenance=replace(one.provenance, scan_set_sha256=sha("x"))))
    assert write_board(look(place), out).complete
    page = (out / "board.html").read_text(encoding="utf-8")
    assert "&lt;b&gt;" in page and "&lt;U+202E&gt;" in page and "<b>" not in page
    assert [p.name for p in out.iterdir() if "tmp" in p.name or "pending" in p.name] == []
