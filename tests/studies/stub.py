"""A stub in place of measuring, and a world of folders for the service to live in: for the kill and soak studies.

The stub writes evidence of the same kinds, names and order as a measurement does. What it "finds" stands in the scan.
"""

from __future__ import annotations

import hashlib
import os
import random
import re
import struct
import zlib
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from runner.intake.apart import Apart
from runner.intake.choose import load_recipes
from runner.intake.folders import COMPANIONS, REASON_SUFFIX, Folders
from runner.intake.health import FOLDER
from runner.intake.job import Finished, Job
from runner.intake.log import KEPT, open_log
from runner.intake.process import Done, Station
from runner.intake.service import Service, Settings
from runner.intake.slot import OWNER
from runner.intake.steps import at
from runner.intake.submit import Inline, Submit
from runner.intake.upkeep import Upkeep
from runner.intake.wake import Wake
from runner.ledger.store import Ledger
from runner.nominal.cache import ArrayCache
from runner.pipeline.documents import write_workbook
from runner.pipeline.identity import safe_name
from runner.pipeline.stamp import set_hash, utc_now
from runner.recipe.fingerprint import fingerprint
from runner.records import Inspection, Outcome, Provenance, Result, ScanFile, Verdict
from runner.report.atomic import write_bytes
from runner.report.json_report import write_json

RECIPE = """\
recipe: 1
part: {{number: {number}, revision: A, name: stub}}
drawing: {{standard: ISO GPS, edition: 2017, units: mm}}
nominal: {{file: stub.step}}
scan:
  file_name: "{pattern}"
  {more}surface: {{noise: 0.01, spacing: 0.5}}
alignment: {{start: automatic}}
features:
  base: {{plane: {{at: [10, 10, 0], normal: -z}}}}
  top: {{plane: {{at: [10, 10, 20], normal: +z}}}}
characteristics:
  "1": {{distance: [base, top], limits: 20 ±0.1}}
decision: {{rule: simple}}
"""
SINGLE, PAIR = "ST-1", "ST-2"
_FINGERPRINTS: dict[Path, tuple[str, str, str]] = {}


def measure(job: Job) -> Finished:
    """Stand in for ``measure_job``: the outcome is the scan's first word; the evidence is like a measurement's."""
    text = job.scans[0].read_bytes()
    word = text.split(maxsplit=1)[0].decode("ascii", "replace") if text.strip() else "hold"
    outcome = Outcome(word) if word in ("accept", "reject", "hold") else Outcome.HOLD
    inspection = _inspection(job, outcome)
    folder = job.stage / safe_name(inspection.part_number)
    stem = f"{safe_name(inspection.serial)}-{inspection.id[:8]}"
    try:
        with at("stage.evidence"):
            write_bytes(folder / "maps" / f"{inspection.deviation_map_sha256}.npz", os.urandom(2000))
        with at("stage.evidence"):
            write_bytes(folder / "pictures" / f"{stem}.png", PIXEL)
        with at("stage.evidence"):
            write_json(folder / "inspections" / f"{stem}.json", inspection)
    except OSError as error:
        return Finished(job.claim, trouble=str(error))
    return Finished(job.claim)


def _png() -> bytes:
    """The smallest picture: one white point (layout: PNG specification, ISO/IEC 15948)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    rows = zlib.compress(b"\0\xff")
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


PIXEL = _png()


def _inspection(job: Job, outcome: Outcome) -> Inspection:
    if job.recipe not in _FINGERPRINTS:
        recipes, _ = load_recipes(job.recipe.parent)
        recipe = recipes[job.recipe]
        nominal = hashlib.sha256(recipe.nominal_path.read_bytes()).hexdigest()
        _FINGERPRINTS[job.recipe] = (fingerprint(recipe, nominal), nominal, recipe.part.number)
    print_, nominal, part = _FINGERPRINTS[job.recipe]
    identity = hashlib.sha256(os.urandom(16)).hexdigest()
    stem = f"{safe_name(job.identity.serial)}-{identity[:8]}"
    verdicts = {Outcome.ACCEPT: Verdict.CONFORMS, Outcome.REJECT: Verdict.DOES_NOT_CONFORM}
    verdict = verdicts.get(outcome, Verdict.UNDECIDED)
    result = Result(
        *("1", "distance", "stub", ("base", "top"), "mm", 3, 20.0, 19.9, 20.1, "20 ±0.1", 20.01, 0.01, verdict),
        reason="" if verdict is Verdict.CONFORMS else "as the stub was told",
    )
    now = utc_now()
    return Inspection(
        id=identity[:32],
        part_number=part,
        part_revision="A",
        part_name="stub",
        serial=job.identity.serial,
        lot=job.identity.lot,
        outcome=outcome,
        reason="" if outcome is Outcome.ACCEPT else "as the stub was told",
        advice="",
        scans=tuple(
            ScanFile(path.name, sha256, path.stat().st_size, 1, 0, "mm")
            for path, sha256 in zip(job.scans, job.hashes, strict=True)
        ),
        poses=(),
        datum_systems=(),
        features=(),
        results=(result,),
        provenance=Provenance(
            *(job.recipe.name, print_, "stub", job.recipe_status, "stub.step", nominal),
            scan_set_sha256=set_hash(job.scans),
            versions={"runner": "stub"},
            started_utc=now,
            finished_utc=now,
            operator=job.identity.operator,
            station=job.identity.station,
        ),
        deviation_map_sha256=identity,
        picture=f"{safe_name(part)}/pictures/{stem}.png",
    )


@dataclass
class World:
    """Folders, recipes, and everything that was ever dropped."""

    root: Path
    dropped: Counter[str] = field(default_factory=Counter)
    """SHA-256 of each scan file that was dropped, and how often."""
    measurable: set[frozenset[str]] = field(default_factory=set)
    """Scan sets (hashes of their files) of which the ledger must hold exactly one inspection each."""
    held: Counter[str] = field(default_factory=Counter)
    """Scans that must end in ``held``, whatever happens."""
    either: Counter[str] = field(default_factory=Counter)
    """Scans that may end in either folder: of two with the same bytes, the first one counts."""
    number: int = 0

    def __post_init__(self) -> None:
        self.folders = Folders(self.root / "scans")
        self.folders.make()
        self.out = self.root / "out"
        self.out.mkdir(exist_ok=True)
        recipes = self.root / "recipes"
        recipes.mkdir(exist_ok=True)
        (recipes / "stub.step").write_text("no solid at all", encoding="ascii")
        single = RECIPE.format(number=SINGLE, pattern="{part}_{serial}.*", more="")
        pair = RECIPE.format(number=PAIR, pattern="{part}_{serial}_{scan}.*", more="set: [top, bottom]\n  ")
        (recipes / "single.yaml").write_text(single, encoding="utf-8")
        (recipes / "pair.yaml").write_text(pair, encoding="utf-8")
        self.recipes, broken = load_recipes(recipes)
        assert not broken, broken

    def content(self, outcome: str, rng: random.Random) -> bytes:
        """A scan unlike any other."""
        self.number += 1
        return f"{outcome} {self.number} ".encode() + rng.randbytes(rng.choice((20, 200, 5000)))

    def drop(self, rng: random.Random, between: Callable[[], None] = lambda: None, kind: str = "") -> int:
        """Drop one piece's scan or scans in one of the ways people and programs do; return the number of files."""
        outcome = rng.choice(("accept", "accept", "reject", "hold"))
        content = self.content(outcome, rng)
        serial = f"{self.number:05d}"
        kind = kind or rng.choice(
            ("plain", "plain", "piece", "entries", "pair", "misfit", "twice", "other serial", "slow")
        )
        name = f"{SINGLE}_{serial}.ply"
        if kind == "pair":
            second = self.content("accept", rng)
            self.measurable.add(frozenset((sha(content), sha(second))))
            self._expect(content, outcome)
            self._expect(second, outcome)
            self._put(f"{PAIR}_{serial}_top.ply", content)
            between()
            self._put(f"{PAIR}_{serial}_bottom.ply", second)
            return 2
        if kind == "misfit":
            self._expect(content, "hold")
            self._put(f"unknown {serial}.ply", content)
            return 1
        self.measurable.add(frozenset((sha(content),)))
        if kind in ("twice", "other serial"):
            self.dropped[sha(content)] += 2
            self.either[sha(content)] += 2
            self._put(name, content)
            between()
            other = serial if kind == "twice" else serial + "x"
            self._put(f"{SINGLE}_{other}.{'stl' if kind == 'twice' else 'ply'}", content)
            return 2
        self._expect(content, outcome)
        if kind == "piece":
            self._put(f"{name}.piece.yaml", f"piece: 1\nlot: L{self.number % 3}\noperator: somebody\n".encode())
        if kind == "entries":
            self._put(f"{name}.entries.yaml", b'entries: 1\nperson: somebody\nresults: {"7": {result: pass}}\n')
        self._put(name, content, between if kind == "slow" else None)
        return 1

    def _expect(self, content: bytes, outcome: str) -> None:
        self.dropped[sha(content)] += 1
        if outcome == "hold":
            self.held[sha(content)] += 1

    def _put(self, name: str, content: bytes, between: Callable[[], None] | None = None) -> None:
        """Copy in one go by rename, or slowly in two halves."""
        target = self.folders.incoming / name
        if between is None:
            temporary = target.with_name(f".{name}.copying")
            temporary.write_bytes(content)
            temporary.replace(target)
            return
        with target.open("wb") as stream:
            stream.write(content[: len(content) // 2])
            stream.flush()
            between()
            stream.write(content[len(content) // 2 :])

    def scan_files(self) -> Counter[str]:
        """Hashes of all scans, wherever they are now."""
        found: Counter[str] = Counter()
        for path in self.folders.root.rglob("*"):
            if path.is_file() and not path.name.startswith(".") and not path.name.endswith(_BESIDE):
                found[sha(path.read_bytes())] += 1
        return found

    def service(
        self,
        station: str,
        *,
        submit: Submit | None = None,
        each: Callable[[Done], None] = lambda done: None,
        settings: Settings | None = None,
        wake: Wake | None = None,
        most_tries: int = 1_000_000,
        apart: bool = False,
    ) -> tuple[Service, Ledger]:
        """A service that measures by the stub; ``most_tries`` is out of the way, since it is killed on purpose.

        ``apart``: workbooks are written by processes of their own, as ``runner watch`` has it.
        """
        ledger = Ledger.open(self.out / "ledger.db")
        place = Station(self.folders, ledger, self.out, self.recipes, ArrayCache(self.root), station)
        place.most_tries = most_tries
        service = Service(
            place,
            submit or Inline(measure),
            settings or Settings(poll_s=0.02, quiet_s=0.01, patience_s=1.0),
            open_log(self.out / FOLDER, station),
            Upkeep(ledger, self.out, held=self.folders.held, write_book=Apart() if apart else write_workbook),
            each=each,
            wake=wake,
        )
        return service, ledger

    def problems(self) -> list[str]:
        """Everything that is not as it must be once all work is done."""
        found: list[str] = []
        measured, held = _hashes(self.folders.measured), _hashes(self.folders.held)
        if measured + held != self.dropped:
            lost, more = self.dropped - (measured + held), (measured + held) - self.dropped
            found.append(f"{sum(lost.values())} scans lost, {sum(more.values())} more than were dropped")
        if self.held - held:
            found.append(f"{len(self.held - held)} scans are not held that must be")
        if (held - self.held) - self.either:
            found.append(f"{len((held - self.held) - self.either)} scans are held that must not be")
        with Ledger.open(self.out / "ledger.db") as ledger:
            check = ledger.verify()
            found += check.problems
            inspections = [attempt.inspection for attempt in ledger.inspections()]
        sets = Counter(frozenset(scan.sha256 for scan in inspection.scans) for inspection in inspections)
        found += [f"{n} inspections of one scan set" for n in sets.values() if n != 1]
        if set(sets) != self.measurable:
            gone, more = self.measurable - set(sets), set(sets) - self.measurable
            found.append(f"{len(gone)} pieces are not in the ledger, {len(more)} should not be")
        return found + self._strays(inspections)

    def _strays(self, inspections: list[Inspection]) -> list[str]:
        """Files that should not be, and files that should."""
        folders, out = self.folders, self.out
        found = [f"left in incoming: {path.name}" for path in folders.incoming.iterdir()]
        found += [f"left in hand: {p.relative_to(self.root)}" for p in folders.measuring.rglob("*")
                  if p.name != OWNER and not (p.is_dir() and p.parent == folders.measuring)]  # fmt: skip
        for folder, reasons in ((folders.measured, False), (folders.held, True)):
            names = {path.name for path in folder.iterdir()}
            scans = {name for name in names if not name.endswith(_BESIDE)}
            right = scans | ({name + REASON_SUFFIX for name in scans} if reasons else set())
            right |= {name + suffix for name in scans for suffix in COMPANIONS} & names
            found += [f"{name} in {folder.name} should not be there" for name in names - right]
            found += [f"{name} in {folder.name} is missing" for name in right - names]
        right = {"ledger.db", "board.html"}
        for inspection in inspections:
            stem = f"{safe_name(inspection.part_number)}"
            name = f"{safe_name(inspection.serial)}-{inspection.id[:8]}"
            right.add(f"{stem}.xlsx")
            right |= {f"{stem}/maps/{inspection.deviation_map_sha256}.npz", f"{stem}/pictures/{name}.png"}
            right.add(f"{stem}/inspections/{name}.json")
        files = {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()}
        files -= {"ledger.db-wal", "ledger.db-shm"}
        files = {f for f in files if not _OF_THE_SERVICE.fullmatch(f)}
        found += [f"{name} in the output folder should not be there" for name in sorted(files - right)]
        found += [f"{name} is missing in the output folder" for name in sorted(right - files)]
        found += [f"{p.name} of {FOLDER}/work is left" for p in (out / FOLDER / "work").glob("*")]
        return found


_OF_THE_SERVICE = re.compile(rf"{FOLDER}/[^/]*\.(json|lock|log(\.[1-{KEPT}])?)")
"""Heartbeats, locks, and logs with as many rotated ones as are kept."""
_BESIDE = (REASON_SUFFIX, *COMPANIONS)


def _hashes(folder: Path) -> Counter[str]:
    return Counter(sha(path.read_bytes()) for path in folder.iterdir() if not path.name.endswith(_BESIDE))


def sha(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
