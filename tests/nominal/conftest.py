"""STEP files made once per test session, by the CAD kernel itself."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

_SPEC = importlib.util.spec_from_file_location("nominal_parts", Path(__file__).with_name("parts.py"))
_parts = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(_parts)

SHARED_MODELS = Path(__file__).resolve().parents[3] / "shared" / "models"


def read_here(path: Path):
    """Read a STEP file in this process, which saves the start of another one for each of the many files here."""
    from runner.nominal import step

    return step.read(path, path.read_bytes(), "0" * 64)


@pytest.fixture(scope="session")
def read_step():
    return read_here


@pytest.fixture(scope="session")
def parts():
    return _parts


@pytest.fixture(scope="session")
def part_files(parts, tmp_path_factory) -> dict[str, Path]:
    """Name -> STEP file."""
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeCone, BRepPrimAPI_MakeSphere, BRepPrimAPI_MakeTorus
    from OCP.gp import gp_Pnt

    folder = tmp_path_factory.mktemp("parts")
    plate = parts.plate_with_everything()
    shapes = {
        "plate": plate,
        "plate moved": parts.moved(plate),
        "plate mirrored": parts.moved(plate, mirror=True),
        "plate as splines": parts.as_splines(plate),
        "sphere": BRepPrimAPI_MakeSphere(gp_Pnt(1, 2, 3), 5.0).Shape(),
        "torus": BRepPrimAPI_MakeTorus(parts.ax2((1, 2, 3), (1, 1, 0)), 10.0, 3.0).Shape(),
        "cone": BRepPrimAPI_MakeCone(parts.ax2((0, 0, 0), (0, 1, 1)), 5.0, 0.0, 8.0).Shape(),
        "frustum": BRepPrimAPI_MakeCone(parts.ax2((0, 0, 0), (0, 1, 1)), 2.0, 5.0, 8.0).Shape(),
    }
    files = {name: parts.write_step(shape, folder / f"{name}.step") for name, shape in shapes.items()}
    files["plate in inches"] = parts.write_step(plate, folder / "plate in inches.step", unit="INCH")
    return files


@pytest.fixture(scope="session")
def nominals(part_files):
    """Name -> nominal, read when first asked for."""
    read = {}

    def get(name: str):
        if name not in read:
            read[name] = read_here(part_files[name])
        return read[name]

    return get


@pytest.fixture(scope="session")
def shared_model():
    """Path of a public model beside the project, or a skip."""

    def get(name: str) -> Path:
        path = SHARED_MODELS / name
        if not path.is_file():
            pytest.skip(f"the public model {name} is not here (shared/models beside the project)")
        return path

    return get
