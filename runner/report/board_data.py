"""What the operator's board and ``runner status`` show: plain values, nothing else. Times UTC, ISO 8601."""

from __future__ import annotations

from dataclasses import dataclass

from runner.records import Outcome


@dataclass(frozen=True)
class BoardPart:
    """One of the last inspections, as it counts for the piece on the bench."""

    part: str
    serial: str
    lot: str
    outcome: Outcome
    """What holds for the piece: the earlier reject where that one still stands."""
    of_scan: Outcome
    """What this scan by itself gave."""
    when_utc: str
    why: str = ""
    remark: str = ""
    """Why this line does not simply count: void, replaced, waiting for a decision, recipe not released."""
    attempt: int = 1
    counts: bool = True
    """False for an inspection that is void or was replaced by a later attempt."""


@dataclass(frozen=True)
class BoardTask:
    """Something a person has to do before a piece can go on."""

    title: str
    """Part and serial, or the name of the file."""
    why: str
    what_to_do: str
    since_utc: str
    picture: str = ""
    """File name relative to the output folder: where to scan again."""
    picture_text: str = ""
    """What the picture shows, in words."""


@dataclass(frozen=True)
class BoardInHand:
    """A scan being measured."""

    file: str
    part: str
    serial: str
    since_utc: str


@dataclass(frozen=True)
class BoardSet:
    """A set of scans of one piece that is not complete."""

    part: str
    serial: str
    have: tuple[str, ...]
    missing: tuple[str, ...]
    since_utc: str
    until_utc: str


@dataclass(frozen=True)
class BoardStation:
    """One service with its last beat."""

    name: str
    host: str
    state: str
    """``running``, ``stopping``, ``stopped`` or ``silent``."""
    beat_utc: str
    started_utc: str
    silent_after_s: float
    waiting: int
    workers: int
    in_hand: tuple[BoardInHand, ...] = ()
    sets: tuple[BoardSet, ...] = ()
    trouble: tuple[str, ...] = ()
    folder: str = ""
    """Its incoming folder."""


@dataclass(frozen=True)
class BoardData:
    """Everything on the board."""

    made_utc: str
    stations: tuple[BoardStation, ...]
    parts: tuple[BoardPart, ...]
    """Newest first."""
    tasks: tuple[BoardTask, ...]
    """Newest first."""
    today: tuple[tuple[Outcome, int], ...]
    """Inspections since the local day began, by outcome, void ones not counted."""
    last_hour: int
    entries: int
    head_hash: str
    trouble: tuple[str, ...] = ()
    """What can't be told otherwise: the ledger out of reach, a heartbeat that can't be read."""
    more_tasks: int = 0
    """Tasks beyond those listed."""

    @property
    def troubles(self) -> tuple[str, ...]:
        """All trouble in one list, each with its station."""
        silent = [f"{s.name}: no sign of life since {s.beat_utc}" for s in self.stations if s.state == "silent"]
        told = [f"{s.name}: {text}" for s in self.stations for text in s.trouble if s.state != "stopped"]
        return (*silent, *told, *self.trouble)

    @property
    def waiting(self) -> int:
        """Files that nobody has taken yet. Services of one folder see the same files, so they are counted once."""
        folders: dict[str, int] = {}
        for station in self.stations:
            if station.state in ("running", "stopping"):
                folders[station.folder] = max(folders.get(station.folder, 0), station.waiting)
        return sum(folders.values())

    @property
    def dead(self) -> bool:
        """Whether a service died, or none runs at all."""
        return any(s.state == "silent" for s in self.stations)

    @property
    def running(self) -> bool:
        """Whether a service takes scans."""
        return any(s.state == "running" for s in self.stations)
