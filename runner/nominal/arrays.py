"""A nominal as named arrays of numbers, and back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import EdgeTable, FaceTable, Nominal, TriangleMesh


def nominal_to_arrays(nominal: Nominal) -> dict[str, NDArray[Any]]:
    """Return everything in ``nominal`` as named arrays of numbers."""
    arrays: dict[str, NDArray[Any]] = {
        "mesh.vertices": nominal.mesh.vertices,
        "mesh.triangles": nominal.mesh.triangles,
        "triangle_face": nominal.triangle_face,
        "settings": np.array([float(nominal.closed), nominal.chord_mm]),
        "texts": _bytes("\0".join((nominal.source, nominal.sha256, *nominal.notes))),
    }
    for prefix, table in (("faces", nominal.faces), ("edges", nominal.edges)):
        arrays.update({f"{prefix}.{f.name}": getattr(table, f.name) for f in fields(table)})
    return arrays


def nominal_from_arrays(arrays: Mapping[str, NDArray[Any]]) -> Nominal:
    """Return the nominal whose ``nominal_to_arrays`` gave ``arrays``; KeyError when one is missing."""
    closed, chord = (float(v) for v in arrays["settings"])
    source, sha256, *notes = bytes(np.asarray(arrays["texts"], dtype=np.uint8)).decode("utf-8").split("\0")
    return Nominal(
        mesh=TriangleMesh(arrays["mesh.vertices"], arrays["mesh.triangles"]),
        triangle_face=arrays["triangle_face"],
        faces=FaceTable(**{f.name: arrays[f"faces.{f.name}"] for f in fields(FaceTable)}),
        edges=EdgeTable(**{f.name: arrays[f"edges.{f.name}"] for f in fields(EdgeTable)}),
        closed=closed > 0,
        source=source,
        sha256=sha256,
        chord_mm=chord,
        notes=tuple(notes),
    )


def _bytes(text: str) -> NDArray[np.uint8]:
    return np.frombuffer(text.encode("utf-8"), dtype=np.uint8)
