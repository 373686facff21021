"""Starts a private PostgreSQL server, runs a command on it, stops it and removes every trace.

    python -m tests.ledger.with_server pytest tests/ledger -n 0

The server listens on a socket in its own temporary folder only. PostgreSQL refuses to run as root; then it runs as
the user ``postgres``, or ``nobody`` where there is none. Needs Debian's package ``postgresql`` (or ``initdb`` and
``postgres`` anywhere on the path) and this project's extra ``postgresql``. The exit status is the command's own; 77
when there is no server to start.
"""

import os
import pwd
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

VARIABLE = "RUNNER_TEST_POSTGRES"
NO_SERVER = 77
"""What test harnesses take for "skipped" (common practice)."""


def server_programs() -> Path | None:
    """The folder that holds ``initdb`` and ``postgres``; the newest version of several."""
    on_path = shutil.which("initdb")
    if on_path and Path(on_path).resolve().with_name("postgres").exists():
        return Path(on_path).resolve().parent
    installed = sorted(
        Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3].split(".")[0])
    )
    return installed[-1].parent if installed else None


def other_user() -> str | None:
    """Whom the server runs as; None for the user there is."""
    if os.geteuid() != 0:
        return None
    names = {entry.pw_name for entry in pwd.getpwall()}
    return "postgres" if "postgres" in names else "nobody"


@contextmanager
def private_server(programs: Path) -> Iterator[str]:
    """A running server; gives the address of an empty database on it."""
    user = other_user()
    # a socket's path may hold 107 bytes only, so the folder is not below a test's own one
    folder = Path(tempfile.mkdtemp(prefix="ledger-pg-"))
    data = folder / "data"
    if user:
        shutil.chown(folder, user)
    try:
        run = {"user": user, "cwd": folder, "stdin": subprocess.DEVNULL}
        made = subprocess.run(
            [programs / "initdb", "-D", data, "-U", "runner", "-A", "trust", "-E", "UTF8", "--no-locale", "--no-sync"],
            capture_output=True, text=True, **run,
        )  # fmt: skip
        if made.returncode:
            raise RuntimeError(f"initdb failed: {made.stderr}")
        with (folder / "log").open("wb") as log:
            server = subprocess.Popen(
                [programs / "postgres", "-D", data, "-k", folder, "-h", "", "-c", "max_connections=50"],
                stdout=log, stderr=log, **run,
            )  # fmt: skip
        try:
            _wait(programs, folder, server)
            yield f"postgresql+psycopg://runner@/postgres?host={folder}"
        finally:
            server.send_signal(signal.SIGINT)  # fast shutdown: open sessions are cut off
            try:
                server.wait(20)
            except subprocess.TimeoutExpired:
                server.send_signal(signal.SIGQUIT)
                server.wait(20)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _wait(programs: Path, folder: Path, server: "subprocess.Popen[bytes]") -> None:
    until = time.monotonic() + 30
    while time.monotonic() < until:
        if server.poll() is not None:
            break
        ready = subprocess.run([programs / "pg_isready", "-q", "-h", folder], check=False).returncode == 0
        if ready:
            return
        time.sleep(0.1)
    raise RuntimeError("the server did not start:\n" + (folder / "log").read_text(errors="replace"))


def main(command: list[str]) -> int:
    """Run ``command`` with the address of a private server in the environment."""
    if not command:
        print(__doc__, file=sys.stderr)
        return 2
    programs = server_programs()
    if programs is None:
        print("There is no PostgreSQL server on this machine (looked for initdb).", file=sys.stderr)
        return NO_SERVER
    with private_server(programs) as address:
        print(f"{programs}: {address}", file=sys.stderr)
        return subprocess.run(command, env={**os.environ, VARIABLE: address}, check=False).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
