"""The service as a whole, measuring by a stub: stops, sets, several services, trouble, files that misbehave."""

from __future__ import annotations

import errno
import os
import random
import signal
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from runner.intake import desk, service
from runner.intake.folders import REASON_SUFFIX
from runner.intake.health import FOLDER, read_health
from runner.intake.job import Finished, Job
from runner.intake.process import Done
from runner.intake.service import Service, Settings
from runner.intake.slot import OWNER
from runner.intake.steps import STEPS, set_hook
from runner.intake.submit import Inline
from runner.intake.wake import Wake
from runner.ledger.errors import LedgerError
from runner.ledger.store import Ledger
from runner.records import Inspection
from tests.studies.stub import World, measure

QUICK = Settings(poll_s=0.05, quiet_s=0.01, patience_s=0.3, set_wait_s=1000.0, once_patience_s=3.0)


@pytest.fixture
def world(tmp_path: Path) -> World:
    return World(tmp_path)


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(desk, "FIRST_PAUSE_S", 0.02)
    monkeypatch.setattr(service, "FIRST_PAUSE_S", 0.02)
    monkeypatch.setattr(desk, "LONGEST_PAUSE_S", 0.1)
    yield
    set_hook(None)


def drop(world: World, name: str, content: str | bytes, **beside: str) -> Path:
    path = world.folders.incoming / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    for suffix, text in beside.items():
        path.with_name(f"{name}.{suffix}.yaml").write_text(text, encoding="utf-8")
    return path


def once(world: World, station: str = "s", **how: object) -> tuple[list[Done], Service]:
    how.setdefault("settings", QUICK)
    made, ledger = world.service(station, **how)  # type: ignore[arg-type]
    try:
        return made.run(once=True), made
    finally:
        ledger.close()
        made._log.close()  # or the next run of this station would find its file taken


def ledger_of(world: World) -> list[Inspection]:
    with Ledger.open(world.out / "ledger.db") as ledger:
        assert ledger.verify().ok
        return [attempt.inspection for attempt in ledger.inspections()]


def serials(world: World) -> list[str]:
    return sorted(i.serial for i in ledger_of(world))


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def in_hand(world: World) -> set[str]:
    return {p.name for p in world.folders.measuring.rglob("*") if p.is_file() and p.name != OWNER}


def reason(world: World, name: str) -> str:
    return (world.folders.held / f"{name}{REASON_SUFFIX}").read_text(encoding="utf-8")


class Held(Inline):
    """Measures when it is let, and tells what it was given."""

    def __init__(self, act: Callable[[Job], None] = lambda job: None) -> None:
        super().__init__(measure)
        self.act = act
        self.open = threading.Event()

    def ready(self) -> list[Finished]:
        if not self._jobs or not self.open.is_set():
            return []
        self.act(self._jobs[0])
        return super().ready()

    def wait(self, timeout_s: float, wake: object = ()) -> None:
        self.open.wait(0.02)


# stopping


def test_the_first_signal_finishes_what_is_in_hand_and_takes_nothing_new(world: World) -> None:
    drop(world, "ST-1_1.ply", "accept one")
    drop(world, "ST-1_2.ply", "accept two")
    submit, wake = Held(), Wake()
    made, ledger = world.service("s", submit=submit, settings=QUICK, wake=wake)
    thread = threading.Thread(target=made.run)
    thread.start()
    while not in_hand(world) or not submit._jobs:
        pass
    wake.stop()
    thread.join(0.3)
    assert thread.is_alive(), "it waits for what is in hand"
    submit.open.set()
    thread.join(10)
    ledger.close()
    assert not thread.is_alive() and len(ledger_of(world)) == 1 and not in_hand(world)
    assert len(names(world.folders.incoming)) == 1
    (health,) = read_health(world.out / FOLDER)
    assert health.state == "stopped"
    assert (world.out / "ST-1.xlsx").exists()


def test_the_second_signal_leaves_it_for_the_next_start(world: World) -> None:
    drop(world, "ST-1_1.ply", "accept one")
    submit, wake = Held(), Wake()
    made, ledger = world.service("s", submit=submit, settings=QUICK, wake=wake)
    thread = threading.Thread(target=made.run)
    thread.start()
    while not submit._jobs:
        pass
    wake.stop()
    wake.stop()
    thread.join(10)
    ledger.close()
    assert not thread.is_alive() and not ledger_of(world)
    assert in_hand(world) == {"ST-1_1.ply", ".claim.json"}
    once(world)
    assert serials(world) == ["1"] and not in_hand(world)


def test_the_board_knows_that_a_run_has_ended(world: World) -> None:
    """Left as "running", an ended run would soon be shown as a service that gives no sign of life."""
    drop(world, "ST-1_1.ply", "accept one")
    once(world)
    page = (world.out / "board.html").read_text(encoding="utf-8")
    assert 'data-state="stopped"' in page and 'data-state="running"' not in page


def test_signals_ask_to_stop_and_end_a_wait() -> None:
    wake, before = Wake(), signal.getsignal(signal.SIGINT)
    with wake.on_signals():
        os.kill(os.getpid(), signal.SIGTERM)
        Inline().wait(30.0, (wake.waitable,))
        os.kill(os.getpid(), signal.SIGINT)
        assert wake.stops == 2
    assert signal.getsignal(signal.SIGINT) is before
    wake.close()


# sets of scans


def test_a_set_waits_for_its_members_and_is_measured_once(world: World) -> None:
    drop(world, "ST-2_7_top.ply", "accept top")
    done, _ = once(world)
    assert not done and names(world.folders.incoming) == {"ST-2_7_top.ply"}
    (health,) = read_health(world.out / FOLDER)
    (waits,) = health.sets
    assert (waits.serial, waits.have, waits.missing) == (
        "7",
        ("top",),
        ("bottom",),
    ) and waits.until_utc > waits.since_utc
    drop(world, "ST-2_7_bottom.ply", "accept bottom")
    once(world)
    (inspection,) = ledger_of(world)
    assert [scan.name for scan in inspection.scans] == ["ST-2_7_top.ply", "ST-2_7_bottom.ply"]
    assert names(world.folders.measured) == {"ST-2_7_top.ply", "ST-2_7_bottom.ply"}


def test_a_set_that_stays_incomplete_is_held_and_says_what_is_missing(world: World) -> None:
    drop(world, "ST-2_7_bottom.ply", "accept bottom")
    once(world, settings=Settings(poll_s=0.05, quiet_s=0.01, set_wait_s=0.0))
    assert 'the scan "top" is missing' in reason(world, "ST-2_7_bottom.ply") and not ledger_of(world)


def test_wrong_members_are_held_at_once_and_the_others_wait(world: World) -> None:
    drop(world, "ST-2_7_top.ply", "accept top")
    drop(world, "ST-2_7_tpo.ply", "accept tpo")
    drop(world, "ST-2_8_top.ply", "accept top 8")
    drop(world, "ST-2_8_top.stl", "accept top 8 again")
    once(world)
    assert "none of top, bottom" in reason(world, "ST-2_7_tpo.ply")
    assert "is there 2 times" in reason(world, "ST-2_8_top.ply") == reason(world, "ST-2_8_top.stl")
    assert names(world.folders.incoming) == {"ST-2_7_top.ply"}


def test_a_set_whose_claim_was_killed_half_way_is_put_together_again(world: World) -> None:
    claim = world.folders.measuring / "s" / "20310101T000000-abcdef-0123456789"
    claim.mkdir(parents=True)
    (claim / "ST-2_7_top.ply").write_text("accept top")
    drop(world, "ST-2_7_bottom.ply", "accept bottom")
    once(world)
    (inspection,) = ledger_of(world)
    assert len(inspection.scans) == 2 and not in_hand(world) and not names(world.folders.incoming)


# the file beside the scan


def test_the_piece_file_adds_what_the_name_does_not_carry(world: World) -> None:
    drop(world, "ST-1_5.ply", "accept", piece="piece: 1\nlot: L1\noperator: night shift\nserial: '5'\n")
    drop(world, "export 17.ply", "accept b", piece='piece: 1\npart: st-1\nserial: "0042"\n')
    once(world)
    found = {i.serial: i for i in ledger_of(world)}
    assert (found["5"].lot, found["5"].provenance.operator) == ("L1", "night shift") and "0042" in found
    assert "export 17.ply.piece.yaml" in names(world.folders.measured)


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("ST-1_5.ply", "piece: 1\nserial: 6\n", "the file name says serial '5', the piece file beside it says '6'"),
        ("ST-1_5.ply", "piece: 1\npart: ST-2\n", "the file name says part 'ST-1'"),
        ("ST-1_5.ply", "piece: 1\nlots: 6\n", 'unknown key "lots"'),
        ("ST-1_5.ply", "piece: 2\nlot: 6\n", "version '2' is not known"),
        ("ST-1_5.ply", "lot: 6\n", 'the key "piece" is missing'),
        ("ST-1_5.ply", "piece: 1\nlot: [1, 2]\n", "must be a few words"),
        ("ST-1_5.ply", "piece: 1\nlot: &a x\noperator: *a\n", "not allowed"),
        ("ST-1_5.ply", "piece: 1\nlot: 1\nlot: 2\n", "lot"),
        ("ST-1_5.ply", "x" * 20_000, "over 10000 bytes"),
        ("scan.ply", "piece: 1\npart: ZZ-9\nserial: 1\n", "names part 'ZZ-9', and no recipe here is for it"),
    ],
)
def test_a_piece_file_that_is_wrong_holds_the_scan(world: World, name: str, text: str, said: str) -> None:
    drop(world, name, "accept", piece=text)
    once(world)
    assert said in reason(world, name) and not ledger_of(world)
    assert f"{name}.piece.yaml" in names(world.folders.held)


# the same again


def test_same_bytes_other_serial_or_lot_is_held_also_when_both_are_in_hand(world: World) -> None:
    drop(world, "ST-1_1.ply", "accept same")
    drop(world, "ST-1_2.ply", "accept same")
    once(world)
    assert len(ledger_of(world)) == 1
    (held,) = (n for n in names(world.folders.held) if not n.endswith(REASON_SUFFIX))
    assert "the same bytes were already measured as serial" in reason(world, held)
    drop(world, "ST-1_1.stl", "accept same", piece="piece: 1\nlot: other\n")
    (done,), _ = once(world)
    assert len(ledger_of(world)) == 1 and (done.inspection is None) == ("lot" in done.reason or "serial" in done.reason)


def test_same_serial_again_is_the_next_attempt(world: World) -> None:
    for text in ("reject one", "accept two"):
        drop(world, "ST-1_1.ply", text)
        once(world)
    with Ledger.open(world.out / "ledger.db") as ledger:
        (piece,) = ledger.standing("ST-1")
    assert [a.number for a in piece.attempts] == [1, 2]
    assert piece.standing is not None and piece.standing.number == 1, "a reject stands until somebody decides"
    assert names(world.folders.measured) == {"ST-1_1.ply", "ST-1_1.2.ply"}


# several services


def test_two_services_on_one_folder_and_two_folders_into_one_ledger(world: World, tmp_path: Path) -> None:
    rng = random.Random(4)
    for _ in range(12):
        world.drop(rng)
    other = World(tmp_path / "other")
    other.out = world.out
    for k in range(4):
        other.number = 1000 + k
        drop(other, f"ST-1_o{k}.ply", f"accept other {k}")
    runs = [threading.Thread(target=once, args=(w,), kwargs={"station": "s"}) for w in (world, world, other)]
    for run in runs:
        run.start()
    for run in runs:
        run.join(60)
    once(world)
    found = [i.serial for i in ledger_of(world)]
    assert len([s for s in found if s.startswith("o")]) == 4 and len(found) == len(world.measurable) + 4
    slots = names(world.folders.measuring)
    assert slots <= {"s", "s.2"} and not in_hand(world)


def test_claims_of_a_service_that_died_are_taken_over_and_those_of_a_living_one_are_not(world: World) -> None:
    from runner.intake.lock import FileLock

    for station in ("dead", "living"):
        claim = (
            world.folders.measuring / station / f"20310101T000000-abcdef-{'0' if station == 'dead' else '1'}123456789"
        )
        claim.mkdir(parents=True)
        (claim / f"ST-1_{station}.ply").write_text(f"accept {station}")
    lock = FileLock(world.folders.measuring / "living" / OWNER)
    assert lock.take()
    once(world)
    assert serials(world) == ["dead"] and in_hand(world) == {"ST-1_living.ply"}
    lock.release()
    once(world)
    assert serials(world) == ["dead", "living"] and not in_hand(world)


# trouble


@pytest.mark.parametrize("step", [s for s in STEPS if s not in ("slot.open", "slot.adopt", "documents.write")])
def test_what_the_surroundings_refuse_is_tried_again(world: World, step: str) -> None:
    """Disk full, share away: at each step, twice; then it works again."""
    left = [2]

    def refuse(when: str, name: str) -> None:
        if name == step and when == "before" and left[0]:
            left[0] -= 1
            raise OSError(errno.ENOSPC, "No space left on device")

    if step == "stage.clear":
        claim = world.folders.measuring / "s" / "20310101T000000-abcdef-0123456789"
        claim.mkdir(parents=True)
        (claim / "ST-1_9.ply").write_text("accept nine")
        (claim / ".claim.json").write_text(
            '{"format": 1, "claimed_utc": "2031-01-01T00:00:00Z", "files": ["ST-1_9.ply"], "tries": 1}'
        )
        (world.out / FOLDER / "work" / claim.name / "1").mkdir(parents=True)
    drop(world, "ST-1_1.ply", "accept one", entries="x: 1")
    drop(world, "ST-1_2.ply", "hold two")
    drop(world, "misfit.ply", "accept three")
    set_hook(refuse)
    _, made = once(world, submit=Inline(_full_disk_is_trouble))
    set_hook(None)
    assert not left[0] and not made.left
    assert serials(world) == (["1", "2", "9"] if step == "stage.clear" else ["1", "2"])
    assert not in_hand(world) and not names(world.folders.incoming)
    assert "ST-1_1.ply.entries.yaml" in names(world.folders.measured)
    assert {"ST-1_2.ply", "misfit.ply"} <= names(world.folders.held)
    assert not list((world.out / FOLDER / "work").iterdir())
    assert made.trouble() == ()


def _full_disk_is_trouble(job: Job) -> Finished:
    try:
        return measure(job)
    except OSError as error:
        return Finished(job.claim, trouble=str(error))


def test_a_locked_ledger_keeps_the_scan_claimed_and_shows_it(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    drop(world, "ST-1_1.ply", "accept one")
    real, left = Ledger.record, [3]

    def locked(self: Ledger, inspection: Inspection, **how: bool) -> object:
        if left[0]:
            left[0] -= 1
            raise LedgerError("ledger.db: database is locked. Another program holds the ledger.")
        return real(self, inspection, **how)

    monkeypatch.setattr(Ledger, "record", locked)
    shown: list[tuple[str, ...]] = []
    made, ledger = world.service("s", settings=QUICK)
    monkeypatch.setattr(made.troubles, "note", _spy(made.troubles.note, shown))
    made.run(once=True)
    ledger.close()
    assert any("ST-1_1.ply waits" in t and "locked" in t for _, t in shown)
    assert serials(world) == ["1"] and made.trouble() == ()


def _spy(real: Callable[[str, str], bool], seen: list) -> Callable[[str, str], bool]:
    def note(about: str, text: str) -> bool:
        seen.append((about, text))
        return real(about, text)

    return note


def test_trouble_that_does_not_end_leaves_the_scan_claimed_in_a_single_run(world: World) -> None:
    drop(world, "ST-1_1.ply", "accept one")
    settings = Settings(poll_s=0.05, quiet_s=0.01, patience_s=0.05, once_patience_s=0.3)
    _, made = once(world, settings=settings, submit=Inline(lambda job: Finished(job.claim, trouble="disk full")))
    assert made.left == ["ST-1_1.ply"] and "disk full" in made.trouble()[0]
    _, made = once(world)
    assert serials(world) == ["1"] and not made.left


def test_a_fault_of_the_measuring_process_holds_this_scan_only(world: World) -> None:
    drop(world, "ST-1_1.ply", "accept one")
    drop(world, "ST-1_2.ply", "accept two")

    def dies(job: Job) -> Finished:
        return Finished(job.claim, "the process died", "Ask.") if job.identity.serial == "1" else measure(job)

    once(world, submit=Inline(dies))
    assert serials(world) == ["2"]
    assert "Why: the process died\nWhat to do: Ask." in reason(world, "ST-1_1.ply")


def test_a_scan_that_was_in_hand_at_every_death_is_held(world: World) -> None:
    claim = world.folders.measuring / "s" / "20310101T000000-abcdef-0123456789"
    claim.mkdir(parents=True)
    (claim / "ST-1_1.ply").write_text("accept one")
    (claim / ".claim.json").write_text('{"format": 1, "claimed_utc": "", "files": ["ST-1_1.ply"], "tries": 5}')
    once(world, most_tries=5)
    assert "the service ended 5 times" in reason(world, "ST-1_1.ply") and not ledger_of(world)


def test_a_fault_of_the_service_itself_is_not_tried_for_ever(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    drop(world, "ST-1_1.ply", "accept one")
    monkeypatch.setattr("runner.intake.process.set_hash", lambda *a: 1 // 0)
    once(world)
    assert "a fault of the program" in reason(world, "ST-1_1.ply") and "ZeroDivisionError" in reason(
        world, "ST-1_1.ply"
    )


# files that misbehave


def test_a_file_that_grows_after_its_claim_is_measured_anew(world: World) -> None:
    drop(world, "ST-1_1.ply", "reject first half")
    grown = []

    def grow(job: Job) -> None:
        if not grown:
            grown.append(1)
            with job.scans[0].open("ab") as stream:
                stream.write(b" and the second")

    submit = Held(grow)
    submit.open.set()
    once(world, submit=submit)
    (inspection,) = ledger_of(world)
    assert inspection.scans[0].size_bytes == len("reject first half and the second")
    assert inspection.scans[0].sha256 in {next(iter(world.scan_files()))} and not in_hand(world)


def test_a_copy_that_pauses_is_waited_for(world: World) -> None:
    head = "ply\nformat binary_little_endian 1.0\nelement vertex 100\nproperty float x\nend_header\n"
    path = drop(world, "ST-1_1.ply", head + "x" * 200)
    made, ledger = world.service(
        "s", settings=Settings(poll_s=0.05, quiet_s=0.01, patience_s=30.0), wake=(wake := Wake())
    )
    thread = threading.Thread(target=made.run)
    thread.start()
    thread.join(0.5)
    assert path.exists() and any("promises at least" in text for text in made.trouble())
    with path.open("ab") as stream:
        stream.write(b"x" * 200)
    while path.exists():
        thread.join(0.02)
    wake.stop()
    thread.join(10)
    ledger.close()
    assert serials(world) == ["1"]


def test_hostile_names_and_things_that_are_no_files(world: World, tmp_path: Path) -> None:
    secret = tmp_path / "secret.ply"
    secret.write_text("accept secret")
    incoming = world.folders.incoming
    (incoming / "ST-1_link.ply").symlink_to(secret)
    os.mkfifo(incoming / "ST-1_pipe.ply")
    (incoming / "ST-1_folder.ply").mkdir()
    hostile = ["ST-1_a\nb.ply", "ST-1_\x1b[2J.ply", "ST-1_\u202eylp.ply", "ST-1_..\\..\\x.ply", "-rf.ply"]
    hostile += ["ST-1_" + "x" * 246 + ".ply", os.fsdecode(b"ST-1_\xff.ply"), "ST-1_<script>.ply", "ST-1_=1+1.ply"]
    for k, name in enumerate(hostile):
        drop(world, name, f"accept {k}")
    _, made = once(world)
    assert {p.name for p in incoming.iterdir()} == {"ST-1_link.ply", "ST-1_pipe.ply", "ST-1_folder.ply"}
    assert secret.read_text() == "accept secret" and not in_hand(world)
    said = " ".join(made.trouble())
    assert all(f"ST-1_{what}.ply in incoming is {kind}" in said for what, kind in
               (("link", "a link"), ("pipe", "a pipe"), ("folder", "a folder")))  # fmt: skip
    # the others carry what no serial has; these are data like any other, and every document treats them so
    assert set(serials(world)) == {"<script>", "=1+1"}
    assert any("leaves no room" in p.read_text("utf-8") for p in world.folders.held.glob("*.reason.txt"))
    folders = world.folders.measured, world.folders.held
    assert sum(not p.name.endswith(REASON_SUFFIX) for folder in folders for p in folder.iterdir()) == len(hostile)
    held = {p.name for p in world.folders.held.iterdir()}
    assert all(name.endswith(REASON_SUFFIX) or f"{name}{REASON_SUFFIX}" in held for name in held)


def test_what_nobody_can_explain_is_surfaced_and_left_alone(world: World) -> None:
    slot = world.folders.measuring / "s"
    stuck, empty = slot / "20310101T000000-abcdef-0123456789", slot / "20310101T000000-abcdef-1123456789"
    for folder in (stuck, empty):
        folder.mkdir(parents=True)
    (stuck / ".claim.json").write_text("{ half a note")
    (stuck / "ST-1_1.ply").write_text("accept one")
    (slot / "notes.txt").write_text("a person's")
    (world.out / ".ST-1.somewhere.12.tmp.xlsx").write_text("x")
    os.utime(world.out / ".ST-1.somewhere.12.tmp.xlsx", (1e9, 1e9 + 1e6))
    _, made = once(world)
    said = " ".join(made.trouble())
    assert "its note is not sound" in said and "notes.txt, which no service put there" in said
    assert in_hand(world) == {".claim.json", "ST-1_1.ply", "notes.txt"} and not empty.exists()
    assert not ledger_of(world)


def test_a_strange_file_in_a_claim_stays_when_the_claim_ends(world: World) -> None:
    drop(world, "ST-1_1.ply", "accept one")
    submit = Held(lambda job: (job.scans[0].parent / "stranger").write_text("x"))
    submit.open.set()
    _, made = once(world, submit=submit)
    assert serials(world) == ["1"] and "ST-1_1.ply" in names(world.folders.measured)
    assert "stranger" in in_hand(world) and any("stranger" in text for text in made.trouble())


def test_a_move_killed_between_two_names_is_recovered(world: World) -> None:
    """Where a move is a second name and then the first one's removal, a kill leaves both."""
    claim = world.folders.measuring / "s" / "20310101T000000-abcdef-0123456789"
    claim.mkdir(parents=True)
    path = drop(world, "ST-1_1.ply", "accept one")
    os.link(path, claim / path.name)
    once(world)
    assert serials(world) == ["1"] and sum(world.scan_files().values()) == 1 and not in_hand(world)


def test_a_filing_killed_between_two_names_is_recovered(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("runner.intake.moves.rename_exclusive", lambda source, target: False)
    claim = world.folders.measuring / "s" / "20310101T000000-abcdef-0123456789"
    claim.mkdir(parents=True)
    (claim / "misfit.ply").write_text("accept one")
    (claim / ".claim.json").write_text(
        '{"format": 1, "claimed_utc": "", "files": ["misfit.ply"], "tries": 0, "filing": {"to": "held",'
        ' "moves": [["misfit.ply", "misfit.ply"]], "reason": ["Why: so"], "inspection": ""}}'
    )
    os.link(claim / "misfit.ply", world.folders.held / "misfit.ply")
    once(world)
    assert names(world.folders.held) == {"misfit.ply", f"misfit.ply{REASON_SUFFIX}"} and not in_hand(world)


def test_a_name_taken_between_note_and_move_is_not_overwritten(world: World) -> None:
    claim = world.folders.measuring / "s" / "20310101T000000-abcdef-0123456789"
    claim.mkdir(parents=True)
    (claim / "misfit.ply").write_text("accept one")
    (claim / ".claim.json").write_text(
        '{"format": 1, "claimed_utc": "", "files": ["misfit.ply"], "tries": 0, "filing": {"to": "held",'
        ' "moves": [["misfit.ply", "misfit.ply"]], "reason": ["Why: so"], "inspection": ""}}'
    )
    (world.folders.held / "misfit.ply").write_text("another")
    once(world)
    assert (world.folders.held / "misfit.ply").read_text() == "another"
    assert (world.folders.held / "misfit.2.ply").read_text() == "accept one" and "Why: so" in reason(
        world, "misfit.2.ply"
    )
