"""What the service does about faults, its own and others': it lives on, blames nobody wrongly, and tells."""

from __future__ import annotations

import json
import threading
import time
from pathlib import Path

import pytest

from runner.intake import desk, process, service
from runner.intake.health import FOLDER, read_health
from runner.intake.job import Finished, Job
from runner.intake.log import open_log
from runner.intake.service import Settings
from runner.intake.submit import Inline
from runner.intake.wake import Wake
from runner.intake.workers import Workers
from runner.ledger.errors import LedgerError
from tests.intake.test_service import (
    QUICK,
    Held,
    drop,
    in_hand,
    ledger_of,
    names,
    once,
    quick,  # noqa: F401
    reason,
    serials,
    world,  # noqa: F401
)
from tests.intake.test_workers import FUNCTION, answers
from tests.intake.test_workers import job as job_of
from tests.studies.stub import World, measure

CLAIM = "20310101T000000-abcdef-{}123456789"


def events(world: World, name: str) -> list[dict]:  # noqa: F811
    lines = (world.out / FOLDER / "s.log").read_text("ascii").splitlines()
    return [line for line in map(json.loads, lines) if line["event"] == name]


def left_claim(world: World, k: int) -> Path:  # noqa: F811
    """A claim as a killed service leaves it."""
    claim = world.folders.measuring / "s" / CLAIM.format(k)
    claim.mkdir(parents=True)
    (claim / f"ST-1_{k}.ply").write_text(f"accept {k}")
    return claim


# two pieces, one scan


def test_of_two_services_that_measure_the_same_bytes_as_two_pieces_at_once_one_is_held(world: World) -> None:  # noqa: F811
    """Neither is in the ledger when the other looks: only the look inside the commit's own transaction can tell."""
    drop(world, "ST-1_1.ply", "accept same")

    def meanwhile(_job: Job) -> None:
        drop(world, "ST-1_2.ply", "accept same")
        once(world, station="t")

    submit = Held(meanwhile)
    submit.open.set()
    once(world, submit=submit)
    assert serials(world) == ["2"]
    assert "the same bytes were already measured as serial '2'" in reason(world, "ST-1_1.ply")
    assert not list((world.out / FOLDER / "work").iterdir()), "its evidence is nobody's"


# whose fault it is


def test_a_file_that_grows_again_and_again_is_not_said_to_end_the_service(world: World) -> None:  # noqa: F811
    drop(world, "ST-1_1.ply", "accept 0")
    grown: list[int] = []

    def grow(job: Job) -> None:
        if len(grown) < 4:
            grown.append(1)
            with job.scans[0].open("ab") as stream:
                stream.write(b" more")

    submit = Held(grow)
    submit.open.set()
    once(world, submit=submit, most_tries=2)
    assert serials(world) == ["1"] and len(grown) == 4
    assert len(events(world, "scan.grew")) == 4


def test_no_process_to_be_had_is_trouble_and_not_the_scans_fault(world: World) -> None:  # noqa: F811
    drop(world, "ST-1_1.ply", "accept one")

    class NoProcess(Inline):
        left = 4

        def submit(self, job: Job) -> None:
            if self.left:
                self.left -= 1
                raise BlockingIOError(11, "Resource temporarily unavailable")
            super().submit(job)

    once(world, submit=NoProcess(measure), most_tries=2)
    assert serials(world) == ["1"]
    assert "nothing can be given to be measured" in events(world, "trouble")[0]["text"]


@pytest.mark.parametrize(
    ("measure", "start_s", "said"),
    [
        ("tests.intake.work_that_is_not:measure", 60.0, "died while it started"),
        ("tests.intake.work_slow:measure", 1.0, "was not ready within 1 s"),
    ],
)
def test_a_process_that_does_not_come_up_is_trouble(measure: str, start_s: float, said: str) -> None:
    workers = Workers(1, measure=measure, start_s=start_s, time_limit_s=50.0, cores=1)
    try:
        workers.submit(job_of("good"))
        answer = answers(workers, 1)["claim-good"]
    finally:
        workers.close(wait=False)
    assert said in answer.trouble and not answer.fault


def test_a_process_that_came_up_is_measured_by_the_time_limit() -> None:
    workers = Workers(1, measure=FUNCTION, time_limit_s=0.5, cores=1)
    try:
        workers.submit(job_of("hang"))
        answer = answers(workers, 1)["claim-hang"]
    finally:
        workers.close(wait=False)
    assert "longer than 0.5 s" in answer.fault and not answer.trouble


# faults of this program


def test_a_fault_in_looking_is_told_and_does_not_end_the_service(world: World, monkeypatch) -> None:  # noqa: F811
    drop(world, "ST-1_1.ply", "accept one")
    real, left = service.listing, [2]

    def listing(folder: Path) -> object:
        if left[0] and folder == world.folders.incoming:
            left[0] -= 1
            raise ValueError("what nobody thought of")
        return real(folder)

    monkeypatch.setattr(service, "listing", listing)
    _, made = once(world)
    assert serials(world) == ["1"] and made.trouble() == ()
    assert "what nobody thought of" in events(world, "fault")[0]["trace"]


def test_a_file_whose_companion_breaks_the_reader_is_held_and_the_others_go_on(world: World, monkeypatch) -> None:  # noqa: F811
    drop(world, "ST-1_1.ply", "accept one", piece="piece: 1\n")
    drop(world, "ST-1_2.ply", "accept two")
    real = process.read_piece

    def read(scan: Path) -> object:
        if "_1" in scan.name:
            raise RecursionError("too deep")
        return real(scan)

    monkeypatch.setattr(process, "read_piece", read)
    once(world)
    assert serials(world) == ["2"] and "RecursionError: too deep" in reason(world, "ST-1_1.ply")


def test_a_name_that_fits_nothing_says_which_recipes_are_broken(world: World) -> None:  # noqa: F811
    made, ledger = world.service("s", settings=QUICK)
    made.station.broken = {Path("recipes/mast.yaml"): "line 3"}
    drop(world, "WV_1.ply", "accept one")
    made.run(once=True)
    ledger.close()
    assert "left out, because not usable now: mast.yaml" in reason(world, "WV_1.ply")


# stopping


def test_after_the_first_signal_nothing_is_given_out_any_more(world: World) -> None:  # noqa: F811
    for k in range(4):
        left_claim(world, k)
    submit, wake = Held(), Wake()
    made, ledger = world.service("s", submit=submit, settings=QUICK, wake=wake)
    thread = threading.Thread(target=made.run)
    thread.start()
    while not submit._jobs:
        time.sleep(0.01)
    wake.stop()
    time.sleep(0.1)
    submit.open.set()
    thread.join(10)
    ledger.close()
    assert not thread.is_alive() and len(ledger_of(world)) == 1, "what was in hand, and no more"
    assert len([name for name in in_hand(world) if name.endswith(".ply")]) == 3
    notes = [json.loads(p.read_text()) for p in world.folders.measuring.glob("s/*/.claim.json")]
    assert [note["tries"] for note in notes if note["tries"]] == [], "what was not measured is no try"
    assert events(world, "service.stopping")
    once(world)
    assert serials(world) == ["0", "1", "2", "3"] and not in_hand(world)


# telling


def test_what_could_not_be_explained_is_no_trouble_once_a_person_has_moved_it(world: World, monkeypatch) -> None:  # noqa: F811
    monkeypatch.setattr(service, "LOOK_AROUND_S", 0.1)
    away, mended = left_claim(world, 1), left_claim(world, 2)
    for claim in (away, mended):
        (claim / ".claim.json").write_text("{ half a note")
    wake = Wake()
    made, ledger = world.service("s", settings=QUICK, wake=wake)
    thread = threading.Thread(target=made.run)
    thread.start()

    def until(count: int) -> bool:
        end = time.monotonic() + 10.0
        while len(made.trouble()) != count and time.monotonic() < end:
            time.sleep(0.02)
        return len(made.trouble()) == count

    assert until(2)
    assert names(away) == {".claim.json", "ST-1_1.ply"}, "it is left alone"
    away.rename(world.root / "away")
    assert until(1)
    (mended / ".claim.json").unlink()
    assert until(0)
    while in_hand(world):
        time.sleep(0.02)
    wake.stop()
    thread.join(10)
    ledger.close()
    assert serials(world) == ["2"]
    assert len(events(world, "trouble.over")) == 2


def test_a_long_hash_leaves_the_heart_beating(world: World, monkeypatch) -> None:  # noqa: F811
    monkeypatch.setattr(process, "HASH_BYTES", 1000)
    drop(world, "ST-1_1.ply", b"accept one " + b"x" * 10_000)
    made, ledger = world.service("s", settings=QUICK)
    beats: list[int] = []
    made.station.alive = lambda: beats.append(1)
    made.run(once=True)
    ledger.close()
    assert len(beats) >= 10
    assert ledger_of(world)[0].scans[0].sha256 in world.scan_files()


def test_the_beat_says_which_folder_it_is_about(world: World) -> None:  # noqa: F811
    once(world)
    (health,) = read_health(world.out / FOLDER)
    assert Path(health.folder) == world.folders.incoming.absolute()


def test_a_trouble_with_the_documents_is_in_the_log_as_it_comes_and_as_it_goes(world: World, monkeypatch) -> None:  # noqa: F811
    """Told at every turn, not at the end only: here it is over by the second one."""
    from runner.intake.upkeep import Upkeep

    real, turns = Upkeep.work, []

    def work(self: Upkeep, now: float | None = None, *, idle: bool = False) -> None:
        turns.append(now)
        real(self, now, idle=idle)

    monkeypatch.setattr(Upkeep, "work", work)
    monkeypatch.setattr(Upkeep, "trouble", lambda self: ("ST-1.xlsx is open elsewhere",) if len(turns) == 1 else ())
    drop(world, "ST-1_1.ply", "accept one")
    _, made = once(world)
    assert len(turns) > 1 and made.trouble() == ()
    assert [e["text"] for e in events(world, "trouble")] == ["ST-1.xlsx is open elsewhere"]
    assert [e["about"].startswith("documents") for e in events(world, "trouble.over")] == [True]


def test_a_trouble_with_the_documents_that_lasts_is_told_after_the_end_too(world: World, monkeypatch) -> None:  # noqa: F811
    from runner.intake.upkeep import Upkeep

    monkeypatch.setattr(Upkeep, "trouble", lambda self: ("ST-1.xlsx is open elsewhere",))
    drop(world, "ST-1_1.ply", "accept one")
    _, made = once(world)
    assert made.trouble() == ("ST-1.xlsx is open elsewhere",) and not events(world, "trouble.over")
    assert [e["text"] for e in events(world, "trouble")] == ["ST-1.xlsx is open elsewhere"]


def test_the_log_says_how_long_measuring_took(world: World) -> None:  # noqa: F811
    drop(world, "ST-1_1.ply", "accept one")
    once(world, submit=Inline(lambda job: Finished(measure(job).claim, seconds=1.25)))
    assert [e["seconds"] for e in events(world, "scan.filed")] == [1.25]


def test_two_services_of_one_name_do_not_rotate_each_others_log(tmp_path: Path) -> None:
    first, second = (open_log(tmp_path, "s", most_bytes=2000) for _ in range(2))
    for k in range(40):
        first.event("one", k=k)
        second.event("two", k=k)
    first.close()
    second.close()
    for stem, name in (("s", "one"), ("s.2", "two")):
        lines = [json.loads(x) for p in sorted(tmp_path.glob(f"{stem}.log*")) for x in p.read_text().splitlines()]
        assert {line["event"] for line in lines} == {name} and len(lines) == 40
    again = open_log(tmp_path, "s")
    again.event("three")
    again.close()
    assert "three" in (tmp_path / "s.log").read_text()


# sets


def test_a_set_is_late_also_when_the_service_is_started_again_and_again(world: World) -> None:  # noqa: F811
    drop(world, "ST-2_7_bottom.ply", "accept bottom")
    settings = Settings(poll_s=0.05, quiet_s=0.01, set_wait_s=1.0)
    once(world, settings=settings)
    assert names(world.folders.incoming) == {"ST-2_7_bottom.ply"}
    (before,) = read_health(world.out / FOLDER)
    time.sleep(2.1)  # the time in a beat has whole seconds
    once(world, settings=settings)
    assert 'the scan "top" is missing' in reason(world, "ST-2_7_bottom.ply") and before.sets
    drop(world, "ST-2_7_bottom.ply", "accept another bottom")
    once(world, settings=settings)
    assert names(world.folders.incoming) == {"ST-2_7_bottom.ply"}, "a new one waits anew"


# trouble that lasts


def test_pauses_grow_while_measuring_itself_is_in_trouble(world: World, monkeypatch) -> None:  # noqa: F811
    """A full disk is not written against as fast as the machine can: being given to a process is no progress."""
    drop(world, "ST-1_1.ply", "accept one")
    real, pauses = desk.Desk._later, []

    def later(self: desk.Desk, work: desk.Work, why: str) -> bool:
        real(self, work, why)
        pauses.append(work.pause_s)
        return False

    def full(job: Job) -> Finished:
        return Finished(job.claim, trouble="disk full") if len(pauses) < 5 else measure(job)

    monkeypatch.setattr(desk.Desk, "_later", later)
    once(world, submit=Inline(full))
    assert pauses == [0.02, 0.04, 0.08, 0.1, 0.1] and serials(world) == ["1"]


def test_a_fault_in_giving_a_job_away_is_not_tried_for_ever(world: World) -> None:  # noqa: F811
    drop(world, "ST-1_1.ply", "accept one")

    class Broken(Inline):
        def submit(self, job: Job) -> None:
            raise TypeError("this job can't travel")

    _, made = once(world, submit=Broken(measure))
    assert "TypeError: this job can't travel" in reason(world, "ST-1_1.ply") and not made.left


def test_a_single_run_that_can_not_look_ends_and_says_so(world: World, monkeypatch) -> None:  # noqa: F811
    def listing(folder: Path) -> object:
        if folder == world.folders.incoming:
            raise ValueError("what nobody thought of")
        return real(folder)

    real = service.listing
    monkeypatch.setattr(service, "listing", listing)
    drop(world, "ST-1_1.ply", "accept one")
    settings = Settings(poll_s=0.05, quiet_s=0.01, patience_s=0.05, once_patience_s=0.3)
    _, made = once(world, settings=settings)
    assert made.left == [str(world.folders.incoming)] and "what nobody thought of" in made.trouble()[0]


def test_what_a_single_run_could_not_claim_is_left_and_named(world: World, monkeypatch) -> None:  # noqa: F811
    def take(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(service, "take", take)
    drop(world, "ST-1_1.ply", "accept one")
    settings = Settings(poll_s=0.05, quiet_s=0.01, patience_s=0.05, once_patience_s=0.3)
    _, made = once(world, settings=settings)
    assert made.left == ["ST-1_1.ply"] and "can't be claimed: Permission denied" in made.trouble()[0]


def test_a_service_that_stops_does_not_turn_in_circles_about_what_it_leaves(world: World, monkeypatch) -> None:  # noqa: F811
    for k in range(2):
        left_claim(world, k)
    real = process.decide

    def decide(claim, station):
        if "ST-1_1.ply" in claim.title:
            raise LedgerError("database is locked")
        return real(claim, station)

    monkeypatch.setattr(process, "decide", decide)
    submit, wake = Held(), Wake()
    made, ledger = world.service("s", submit=submit, settings=Settings(poll_s=0.2, quiet_s=0.01), wake=wake)
    pauses: list[float] = []
    monkeypatch.setattr(submit, "wait", lambda timeout_s, wake=(): (pauses.append(timeout_s), time.sleep(0.01)))
    thread = threading.Thread(target=made.run)
    thread.start()
    while not submit._jobs:
        time.sleep(0.01)
    wake.stop()
    time.sleep(0.3)
    last = pauses[-5:]
    submit.open.set()
    thread.join(10)
    ledger.close()
    assert not thread.is_alive() and min(last) >= 0.1
