"""The child process of the STEP reader: file in, a folder of arrays and one line of JSON out."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from pathlib import Path
from typing import Any


def _limit(memory_bytes: int, seconds: int) -> None:
    """Let the system stop this process when it takes too much (where the system can)."""
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))
        resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 1))


def main(source: str, target: str, name: str, sha256: str, memory_bytes: str, seconds: str) -> None:
    """Read ``source`` (called ``name`` in messages); leave with status 0 when the arrays are in ``target``."""
    from runner.diagnostics import InputError, MissingLibraryError
    from runner.nominal import step
    from runner.nominal.arrayfolder import save_arrays
    from runner.nominal.arrays import nominal_to_arrays

    _limit(int(memory_bytes), int(seconds))
    answer: dict[str, Any] = {"kind": "done"}
    try:
        path = Path(source)
        save_arrays(Path(target), nominal_to_arrays(step.read(path, path.read_bytes(), sha256, name)))
    except InputError as error:
        answer = {"kind": "input", "message": error.message, "place": error.place, "advice": error.advice}
    except MissingLibraryError as error:
        answer = {"kind": "missing", "message": str(error)}
    except MemoryError:
        answer = {"kind": "input", "message": "reading it needs more memory than is allowed."}
    except Exception as error:  # the kernel has exceptions of its own, for whatever the file provokes
        answer = {"kind": "kernel", "message": f"{type(error).__name__}: {error}".splitlines()[0]}
    sys.stdout.write("\n" + json.dumps(answer) + "\n")
    sys.stdout.flush()
    # without the kernel's destructors, which may crash on a damaged file
    os._exit(0)


if __name__ == "__main__":
    main(*sys.argv[1:7])
