"""The heartbeat of a station: what its service does now, in one small file that anybody can read.

One file per running service, ``<folder>/<station>.json``; a second service that has the same station name takes
``<station>.2.json``. A file is left behind when a service dies: that is how a dead service is seen.
"""

from __future__ import annotations

import contextlib
import json
import os
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path

from runner.pipeline.identity import safe_name
from runner.records_io import CodecError, canonical_text, from_json, to_json

FOLDER = "service"
"""Folder of heartbeats and logs, in the output folder."""
SILENT_AFTER_POLLS = 3
LEAST_SILENCE_S = 15.0
"""A service that polls many times a second is not called silent for one slow look at a network share."""
MOST_SLOTS = 64
NOTES = "documents.json"
"""What the upkeep of documents notes in the same folder: no heartbeat."""


class State(StrEnum):
    """What a service is about."""

    RUNNING = "running"
    STOPPING = "stopping"
    """Finishing what is in hand, taking nothing new."""
    STOPPED = "stopped"


@dataclass(frozen=True)
class InHand:
    """A scan, or a set, that is being measured."""

    file: str
    part: str
    serial: str
    since_utc: str


@dataclass(frozen=True)
class WaitingSet:
    """A set of scans of one piece that is not complete yet."""

    part: str
    serial: str
    have: tuple[str, ...]
    """Names of the scans that are there."""
    missing: tuple[str, ...]
    """Names of the recipe's scans that are not there."""
    since_utc: str
    until_utc: str
    """When it is put on hold if nothing comes."""


@dataclass(frozen=True)
class Health:
    """One beat. Times UTC, ISO 8601."""

    station: str
    host: str
    pid: int
    started_utc: str
    beat_utc: str
    poll_s: float
    state: State = State.RUNNING
    waiting: int = 0
    """Files in the incoming folder that nobody has taken yet."""
    in_hand: tuple[InHand, ...] = ()
    sets: tuple[WaitingSet, ...] = ()
    trouble: tuple[str, ...] = ()
    """What keeps this service from doing its work, one sentence each; empty when all is well."""
    workers: int = 1
    folder: str = ""
    """The incoming folder: two services of one folder see the same waiting files."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "state", State(self.state))

    def next(self, beat_utc: str, **changed: object) -> Health:
        """The following beat of the same service."""
        return replace(self, beat_utc=beat_utc, **changed)  # type: ignore[arg-type]

    @property
    def same_service(self) -> tuple[str, str, int, str]:
        """What tells two services apart, also after a process number was given out again."""
        return self.station, self.host, self.pid, self.started_utc


def age_s(health: Health, now_utc: str) -> float | None:
    """Seconds since the beat; negative when this clock is behind the station's; None for a time that is no time."""
    try:
        return (_time(now_utc) - _time(health.beat_utc)).total_seconds()
    except (ValueError, TypeError):
        return None


def silent(health: Health, now_utc: str) -> bool:
    """Whether the service should have been heard by now. One that said that it stopped is not silent."""
    if health.state is State.STOPPED:
        return False
    age = age_s(health, now_utc)
    return age is None or age > silence_limit_s(health.poll_s)


def silence_limit_s(poll_s: float) -> float:
    """Seconds without a beat after which a service counts as dead."""
    return max(SILENT_AFTER_POLLS * poll_s, LEAST_SILENCE_S)


def write_health(folder: Path, health: Health) -> str:
    """Write the beat so that it appears whole or not at all; return "" or why it could not be written.

    Never raises for the file system's reasons: a full disk must not stop the measuring.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path = _slot(folder, health)
        temporary = path.with_name(f".{path.stem}.tmp")  # the same name each time: a kill leaves one at most
        try:
            temporary.write_text(canonical_text(to_json(health)) + "\n", encoding="ascii")
            temporary.replace(path)
        except OSError:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
            raise
    except OSError as error:
        return f"the heartbeat can't be written: {error.strerror or error}"
    return ""


def read_health(folder: Path) -> tuple[Health, ...]:
    """The last beat of every service that ever ran here and was not replaced, by station."""
    return read_beats(folder)[0]


def read_beats(folder: Path) -> tuple[tuple[Health, ...], tuple[str, ...]]:
    """The beats, and one sentence for each file that holds none: it is surfaced, not passed over."""
    found: list[Health] = []
    unreadable: list[str] = []
    for path in sorted(folder.glob("*.json")) if folder.is_dir() else []:
        if path.name == NOTES:
            continue
        beat = _read(path)
        if isinstance(beat, Health):
            found.append(beat)
        elif beat:
            unreadable.append(beat)
    return tuple(sorted(found, key=lambda beat: (beat.station, beat.started_utc))), tuple(unreadable)


def _read(path: Path) -> Health | str:
    """The beat in a file, or what is wrong with the file ("" when it went away)."""
    try:
        return from_json(Health, json.loads(path.read_text(encoding="utf-8")), path.name)
    except FileNotFoundError:
        return ""
    except (OSError, ValueError, CodecError, RecursionError) as error:
        return f"{path.name} holds no heartbeat ({type(error).__name__}); delete it if no service writes it"


def _slot(folder: Path, health: Health) -> Path:
    """The file of this service: the one it had, or the first that no living service owns."""
    stem = safe_name(health.station)
    if f"{stem}.json" == NOTES:
        stem += "-station"
    free: Path | None = None
    for count in range(1, MOST_SLOTS + 1):
        path = folder / (f"{stem}.json" if count == 1 else f"{stem}.{count}.json")
        beat = _read(path)
        if isinstance(beat, Health) and beat.same_service == health.same_service:
            return path
        if free is None and not (isinstance(beat, Health) and _living(beat, health)):
            free = path
        if not path.exists():
            break
    return free or path


def _living(beat: Health, mine: Health) -> bool:
    """Whether the service that wrote ``beat`` may still run, as far as can be told from here."""
    if beat.state is State.STOPPED or silent(beat, mine.beat_utc):
        # silent on another host: it may come back, but then it finds its file taken and takes the next one
        return False
    if beat.host != mine.host or os.name == "nt":  # on Windows signal 0 would end the process
        return True
    if beat.pid == mine.pid:
        return False  # my own process number: the process that had it before is gone
    try:
        os.kill(beat.pid, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError, OSError):
        return True
    return True


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text.replace("Z", "+00:00"))
