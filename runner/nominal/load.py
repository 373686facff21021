"""Load a nominal from its file, by way of the cache."""

from __future__ import annotations

import hashlib
import stat
from pathlib import Path

import numpy as np

from runner.diagnostics import InputError
from runner.geometry.distance import SurfaceIndex
from runner.geometry.mesh import Nominal
from runner.nominal import meshfile, step
from runner.nominal.arrays import nominal_from_arrays, nominal_to_arrays
from runner.nominal.cache import ArrayCache
from runner.nominal.step_apart import read_apart

__all__ = ["load_index", "load_nominal", "nominal_from_arrays", "nominal_to_arrays"]

NOMINAL_FORMAT = 2
"""Raise when what is read from a file, or how, changes."""
INDEX_FORMAT = 2
"""Raise when the arrays of a SurfaceIndex change."""
STEP_ENDINGS = (".step", ".stp")
MOST_BYTES = 1_000_000_000


def _read(path: Path) -> bytes:
    """Return the file's bytes, or raise InputError saying what is wrong with it."""
    try:
        if path.is_dir():
            raise InputError(path.name, "this is a folder, not a file.")
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            raise InputError(path.name, "this is a device or a pipe, not a file.")
        size = status.st_size
        if size > MOST_BYTES:
            raise InputError(path.name, f"it has {size} bytes; at most {MOST_BYTES} are read.")
        data = path.read_bytes()
    except OSError as error:
        what = (
            "there is no such file." if isinstance(error, FileNotFoundError) else f"it can't be read: {error.strerror}."
        )
        raise InputError(str(path), what, advice="Check the path of the nominal in the recipe.") from error
    if not data.strip():
        raise InputError(path.name, "the file is empty.", advice="Export it again.")
    return data


def load_nominal(path: Path | str, *, unit: str | None = None, cache: ArrayCache | None = None) -> Nominal:
    """Return the nominal of a STEP (.step, .stp), STL, PLY or OBJ file, in mm.

    Parameters
    ----------
    path
        The file.
    unit
        Unit of a mesh file's numbers (mm, cm, m, in; None: mm). STEP files state their own; for them it must be None or
        is ignored.
    cache
        Where to keep what was read; None reads the file anew.

    Raises
    ------
    InputError
        Missing, empty, cut off, of an unknown kind or unreadable.
    MissingLibraryError
        The CAD kernel is needed and can't be loaded.
    """
    path = Path(path)
    ending = path.suffix.lower()
    if ending not in (*STEP_ENDINGS, *meshfile.ENDINGS):
        allowed = ", ".join((*STEP_ENDINGS, *meshfile.ENDINGS))
        raise InputError(path.name, f'a nominal can\'t be read from a "{ending}" file.', advice=f"Allowed: {allowed}.")
    data = _read(path)
    sha256 = hashlib.sha256(data).hexdigest()

    def make() -> Nominal:
        if ending in STEP_ENDINGS:
            return read_apart(data, path.name, sha256)
        return meshfile.read(data, path.name, sha256, unit or "mm")

    if ending in STEP_ENDINGS:
        made_by = f"{step.kernel_version()} chord {step.CHORD_MM} angle {step.ANGLE_RAD}"
    else:
        made_by = f"{ending} {unit or 'mm'}"
    if cache is None:
        return make()
    key = f"nominal {NOMINAL_FORMAT} {sha256} {made_by}"
    return nominal_from_arrays(cache.get(key, lambda: nominal_to_arrays(make())))


def load_index(nominal: Nominal, cache: ArrayCache | None = None) -> SurfaceIndex:
    """Return the index of the whole nominal, from the cache when it has been built before."""
    if cache is None:
        return SurfaceIndex.build(nominal)
    mesh = hashlib.sha256(np.ascontiguousarray(nominal.mesh.vertices).tobytes())
    mesh.update(np.ascontiguousarray(nominal.mesh.triangles).tobytes())
    mesh.update(repr(nominal.chord_mm).encode())
    key = f"index {INDEX_FORMAT} nominal {NOMINAL_FORMAT} {nominal.sha256} {mesh.hexdigest()}"
    return SurfaceIndex.from_arrays(cache.get(key, lambda: SurfaceIndex.build(nominal).to_arrays()))
