"""The damaged files again, with every array access of the compiled kernels checked.

Without the check a kernel that writes beyond its array corrupts memory and may go unnoticed (it has happened: an upper
bound and the loop that filled the array used slightly different conditions).
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.slow
def test_no_kernel_leaves_its_arrays(tmp_path: Path) -> None:
    tests = Path(__file__).parent
    environment = os.environ | {"NUMBA_BOUNDSCHECK": "1", "NUMBA_CACHE_DIR": str(tmp_path)}
    names = [str(tests / n) for n in ("test_mutation.py", "test_ply.py", "test_stl.py", "test_obj.py", "test_pcd.py")]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-x", "-p", "no:cacheprovider", *names],
        cwd=tests.parents[1], env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-1000:]
