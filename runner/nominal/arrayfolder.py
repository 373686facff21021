"""A dictionary of arrays as a folder of .npy files and a list; no pickles, whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Arrays = dict[str, NDArray[Any]]
_LIST = "arrays.json"


def _file_name(number: int) -> str:
    return f"{number:03d}.npy"


def save_arrays(folder: Path, arrays: Mapping[str, NDArray[Any]]) -> None:
    """Write ``arrays`` into an empty folder; the list comes last. OSError when that fails, ValueError for objects."""
    for number, array in enumerate(arrays.values()):
        np.save(folder / _file_name(number), array, allow_pickle=False)
    listed = [(name, str(array.dtype), list(array.shape)) for name, array in arrays.items()]
    (folder / _LIST).write_text(json.dumps(listed), encoding="utf-8")


def load_arrays(folder: Path, *, mapped: bool = True) -> Arrays | None:
    """Return what ``save_arrays`` wrote, or None when it is missing or damaged.

    ``mapped``: leave the numbers in the files until they are used. Writing to the arrays never changes the files;
    they are writable at all (copy on write) because kernels are compiled for writable arrays.
    """
    try:
        listed = json.loads((folder / _LIST).read_text(encoding="utf-8"))
        arrays: Arrays = {}
        for number, (name, dtype, shape) in enumerate(listed):
            path = folder / _file_name(number)
            # an empty array can't be mapped
            array = np.load(path, mmap_mode="c" if mapped and 0 not in shape else None, allow_pickle=False)
            if str(array.dtype) != dtype or list(array.shape) != shape:
                return None
            arrays[name] = np.asarray(array)
        return arrays
    except (OSError, ValueError, TypeError, KeyError, EOFError):
        return None
