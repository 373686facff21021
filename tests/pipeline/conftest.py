"""A small machined part with its recipe, prepared once; scans of it are made by the synthetic scanner."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from runner.pipeline.plan import Plan, load_plan

RECIPE = """\
recipe: 1
part: {number: TB-7, revision: A, name: test block}
drawing: {standard: ISO GPS, edition: 2017, units: mm}
nominal: {file: block.step}
scan:
  file_name: "{part}_{serial}.*"
  surface: {noise: 0.01, spacing: 0.5}
alignment: {start: automatic}
features:
  base:  {plane: {at: [10, 10, 0], normal: -z}}
  top:   {plane: {at: [10, 10, 20], normal: +z}}
  side:  {plane: {at: [0, 10, 10], normal: -x}}
  front: {plane: {at: [10, 0, 10], normal: -y}}
  bore:  {cylinder: {at: [40, 20, 0], axis: +z, diameter: 16}}
datums:
  A: {feature: base, associate: least squares}
  B: {feature: side, associate: least squares}
  C: {feature: front, associate: least squares}
datum systems:
  main: [A, B, C]
characteristics:
  "1": {distance: [base, top], limits: 20 ±0.1}
  "2": {size: bore, limits: 16 ±0.05, by: GG}
  "3": {position: bore, zone: 0.1, shape: diametral, datums: main}
  "4": {other gauge: thread M6, kind: go/no-go}
decision: {rule: simple}
"""
ENTRIES = 'entries: 1\nperson: a tester\nresults:\n  "4": {result: pass, gauge: P-1, calibrated: 2026-01-31}\n'


@dataclass(frozen=True)
class Bench:
    """Where the recipe lies, its plan, and a good scan."""

    folder: Path
    plan: Plan
    scan: Path


def block(bore_diameter: float = 16.0, bore_x: float = 40.0):
    from runner.rehearse.solids import box, cut, cylinder

    body = box((0.0, 0.0, 0.0), (70.0, 45.0, 20.0))
    step = box((52.0, -1.0, 12.0), (71.0, 46.0, 21.0))
    notch = box((-1.0, 30.0, 8.0), (12.0, 46.0, 21.0))
    return cut(body, step, notch, cylinder((bore_x, 20.0, -1.0), (0.0, 0.0, 1.0), bore_diameter, 22.0))


def write_block(path: Path, **changes: float) -> Path:
    from runner.rehearse.solids import write_step

    write_step(block(**changes), path, "block")
    return path


def scan_of(step: Path, target: Path, seed: int = 5, **settings: object) -> Path:
    from runner.nominal.load import load_nominal
    from runner.rehearse.demo import write_scan
    from runner.rehearse.scanner import scan
    from runner.rehearse.settings import ScannerSettings

    usual = {"noise": 0.01, "stripe_spacing": 0.5, "point_spacing": 0.5, "normals": "signed", "layers": 1}
    geometry, _ = scan(load_nominal(step), ScannerSettings(seed=seed, **(usual | settings)))  # type: ignore[arg-type]
    write_scan(geometry, target)
    return target


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    folder = tmp_path_factory.mktemp("bench")
    write_block(folder / "block.step")
    (folder / "block.yaml").write_text(RECIPE, encoding="utf-8")
    scan = scan_of(folder / "block.step", folder / "TB-7_0001.ply")
    return Bench(folder, load_plan(folder / "block.yaml"), scan)
