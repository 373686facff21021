"""The one place where numba is set up: where compiled kernels are cached, and with which flags.

Numba keys its cache by the file of each function, not by the functions it calls: after an edit in another module the
caller's old code would still be used. So the cache folder's name holds a hash of every kernel source.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from runner import __version__


def _kernel_sources_hash() -> str:
    """Hash of every module of the package that defines a kernel, and of the versions in use."""
    import numba

    digest = hashlib.sha256(f"{__version__} {numba.__version__}".encode())
    package = Path(__file__).resolve().parent.parent
    for source in sorted(package.rglob("*.py")):
        content = source.read_bytes()
        if b"import kernel" in content or source.name == "jit.py":
            digest.update(str(source.relative_to(package)).encode())
            digest.update(content)
    return digest.hexdigest()[:16]


def _choose_cache() -> bool:
    """Point numba at a writable cache folder of its own; False when there is none."""
    if os.environ.get("NUMBA_CACHE_DIR"):
        return True
    for base in (os.environ.get("RUNNER_CACHE"), Path.home() / ".cache" / "recipe-runner", tempfile.gettempdir()):
        if not base:
            continue
        folder = Path(base) / "kernels" / _kernel_sources_hash()
        try:
            folder.mkdir(parents=True, exist_ok=True)
            probe = folder / f".probe-{os.getpid()}"
            probe.touch()
            probe.unlink()
        except OSError:
            continue
        import numba

        os.environ["NUMBA_CACHE_DIR"] = str(folder)
        numba.config.CACHE_DIR = str(folder)
        return True
    return False


_CACHED = _choose_cache()


def kernel(function: Callable[..., Any] | None = None, *, inline: bool = False, borrows: bool = False) -> Any:
    """Compile ``function`` to machine code on first use.

    IEEE arithmetic is kept (no fast-math), so that results repeat. Kernels run on several threads by ``run_blocks``,
    never by ``numba.prange``: that takes three times as long to compile, and milliseconds to start. ``inline`` is for
    small functions called from other kernels. ``borrows`` is for inner kernels that make no arrays and keep none: the
    references to those they are given are not counted, which in a tree search takes as long as the search.
    """
    import numba

    def compile_late(plain: Callable[..., Any]) -> Any:
        return numba.njit(
            cache=_CACHED, nogil=True, error_model="numpy", inline="always" if inline else "never", _nrt=not borrows
        )(plain)

    return compile_late if function is None else compile_late(function)
