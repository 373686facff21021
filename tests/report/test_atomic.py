"""Files that appear whole or not at all."""

import pytest

from runner.report.atomic import TRIES, write_atomic, write_bytes


def names(folder):
    return sorted(p.name for p in folder.iterdir())


def test_writes_and_replaces(tmp_path):
    path = tmp_path / "new" / "a.txt"
    assert write_bytes(path, b"1").complete
    written = write_bytes(path, b"2")
    assert written.path == path and written.complete and path.read_bytes() == b"2"
    assert names(path.parent) == ["a.txt"]


def test_a_failure_while_writing_leaves_the_old_file_and_nothing_else(tmp_path):
    path = tmp_path / "a.txt"
    write_bytes(path, b"old")

    def half(temporary):
        temporary.write_bytes(b"ha")
        raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space"):
        write_atomic(path, half)
    assert path.read_bytes() == b"old" and names(tmp_path) == ["a.txt"]


class Locked:
    """A rename that is refused for a file that is open elsewhere, a number of times."""

    def __init__(self, times):
        self.times, self.calls = times, 0

    def __call__(self, source, target):
        if not target.stem.endswith(".pending"):
            self.calls += 1
            if self.calls <= self.times:
                raise PermissionError(13, "in use")
        source.replace(target)


def test_a_short_lock_is_waited_for(tmp_path):
    waits = []
    rename = Locked(2)
    written = write_atomic(
        tmp_path / "a.xlsx", lambda t: t.write_bytes(b"1") and None, rename=rename, sleep=waits.append
    )
    assert written.complete and rename.calls == 3 and waits == [0.25, 0.5]


def test_a_long_lock_loses_nothing_and_says_so(tmp_path):
    path = tmp_path / "a.xlsx"
    write_bytes(path, b"old")
    waits = []
    written = write_atomic(path, lambda t: t.write_bytes(b"new") and None, rename=Locked(99), sleep=waits.append)
    assert not written.complete and written.path.name == "a.pending.xlsx" and written.path.read_bytes() == b"new"
    assert path.read_bytes() == b"old" and len(waits) == TRIES - 1
    assert "a.xlsx is open in another program" in written.reason
    assert write_bytes(path, b"newer").complete
    assert names(tmp_path) == ["a.xlsx"], "the pending file goes when the real one is up to date"
