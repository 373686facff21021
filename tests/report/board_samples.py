"""A board of an invented workshop, for tests and for looking at."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from runner.records import Outcome
from runner.report.board_data import BoardData, BoardInHand, BoardPart, BoardSet, BoardStation, BoardTask

NOW = datetime(2031, 5, 2, 10, 42, 7, tzinfo=UTC)


def at(seconds_ago: float, now: datetime = NOW) -> str:
    moment = now - timedelta(seconds=seconds_ago)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def part(serial: str, outcome: Outcome, ago: float, now: datetime = NOW, **more) -> BoardPart:
    values = {"part": "WV-210", "lot": "L-7", "of_scan": outcome, "when_utc": at(ago, now)}
    return BoardPart(serial=serial, outcome=outcome, **{**values, **more})


def station(now: datetime = NOW, name: str = "bench 1", **more) -> BoardStation:
    values = {"host": "bench-1", "state": "running", "beat_utc": at(2, now), "started_utc": at(9_000, now)}
    return BoardStation(name, **{**values, "silent_after_s": 15.0, "waiting": 3, "workers": 2, "folder": "a", **more})


def board(now: datetime = NOW, **more) -> BoardData:
    """A busy morning."""
    accept, hold, reject = Outcome.ACCEPT, Outcome.HOLD, Outcome.REJECT
    parts = [
        part("0047", hold, 40, now, why="not measured: 12 (only 18 % of the circle carries points, 30 % are needed)"),
        part("0046", accept, 75, now),
        part("0045", accept, 110, now, lot=""),
        part("0044", reject, 160, now, why="does not conform: 5 (0.46 mm, 0.4 mm allowed)"),
        part("0043", reject, 200, now, of_scan=accept, attempt=2,
             remark="this scan: accept; the earlier reject stands until a person decides"),
        part("H-118", accept, 260, now, part="WV-315", remark="recipe not released (draft)"),
        *(part(f"00{n}", accept, 300 + 40 * (42 - n), now) for n in range(42, 34, -1)),
    ]  # fmt: skip
    tasks = (
        BoardTask(
            "WV-210 0047",
            "not measured: 12 (only 18 % of the circle carries points, 30 % are needed)",
            "Scan the mast hole again from both sides, then drop the new file.",
            at(40, now),
            "WV-210/pictures/0047-1a2b3c4d-again.png",
            "the part with the places to scan again marked",
        ),
        BoardTask(
            "WV210-0031.ply",
            "no recipe fits the name of the file; wanted: {part}_{serial}.* with the part WV-210 or WV-315",
            "Rename the file to the pattern of its recipe and drop it again.",
            at(1_300, now),
        ),
    )
    stations = (
        station(
            now,
            in_hand=(BoardInHand("WV-210_0048.ply", "WV-210", "0048", at(4, now)),),
            sets=(BoardSet("WV-315", "H-119", ("top",), ("bottom",), at(130, now), at(-470, now)),),
        ),
        station(now, "bench 2", host="bench-2", waiting=3, in_hand=()),
    )
    whole = BoardData(
        made_utc=at(0, now),
        stations=stations,
        parts=tuple(parts),
        tasks=tasks,
        today=((accept, 112), (hold, 6), (reject, 4)),
        last_hour=38,
        entries=4_711,
        head_hash="9f" * 32,
    )
    return replace(whole, **more)
