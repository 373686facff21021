"""Loads STEP models for the study and real-data tests, through the kernel directly."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

import parts


def shared_folder() -> Path | None:
    """The folder with shared test data beside the project, or None."""
    for base in (os.environ.get("RUNNER_SHARED"), Path(__file__).resolve().parents[3] / "shared"):
        if base and Path(base).is_dir():
            return Path(base)
    return None


def step_nominal(path: Path):
    from OCP.IFSelect import IFSelect_RetDone
    from OCP.STEPControl import STEPControl_Reader

    reader = STEPControl_Reader()
    with Path(os.devnull).open("w") as quiet, contextlib.redirect_stdout(quiet):
        assert reader.ReadFile(str(path)) == IFSelect_RetDone, path
        reader.TransferRoots()
    return parts.nominal_of(*parts.mesh_of(reader.OneShape(), 0.02, 0.15))
