from __future__ import annotations

import numpy as np

from runner.nominal import load
from runner.nominal.arrays import nominal_from_arrays, nominal_to_arrays
from runner.nominal.cache import ArrayCache


def test_arrays_and_back(nominals):
    nominal = nominals("plate")
    again = nominal_from_arrays(nominal_to_arrays(nominal))
    for name, array in nominal_to_arrays(nominal).items():
        np.testing.assert_array_equal(nominal_to_arrays(again)[name], array)
    assert (again.closed, again.source, again.sha256, again.chord_mm, again.notes) == (
        nominal.closed,
        nominal.source,
        nominal.sha256,
        nominal.chord_mm,
        nominal.notes,
    )


def test_second_load_comes_from_the_cache(part_files, tmp_path, monkeypatch):
    cache = ArrayCache(tmp_path)
    first = load.load_nominal(part_files["frustum"], cache=cache)
    index = load.load_index(first, cache)

    def never(*_arguments, **_words):
        raise AssertionError("must come from the cache")

    monkeypatch.setattr(load, "read_apart", never)
    monkeypatch.setattr(load.SurfaceIndex, "build", never)
    second = load.load_nominal(part_files["frustum"], cache=ArrayCache(tmp_path))
    again = load.load_index(second, ArrayCache(tmp_path))
    points = np.random.default_rng(0).uniform(-8, 8, (500, 3))
    np.testing.assert_array_equal(index.closest(points).distance, again.closest(points).distance)
    assert second.notes == first.notes and second.sha256 == first.sha256


def test_changed_file_is_read_again(part_files, tmp_path):
    cache = ArrayCache(tmp_path / "cache")
    path = tmp_path / "part.step"
    path.write_bytes(part_files["frustum"].read_bytes())
    first = load.load_nominal(path, cache=cache)
    path.write_bytes(part_files["cone"].read_bytes())
    second = load.load_nominal(path, cache=cache)
    assert len(first.faces) == 3 and len(second.faces) == 2


def test_unit_of_a_mesh_is_part_of_the_key(tmp_path):
    path = tmp_path / "one.obj"
    path.write_bytes(b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n")
    cache = ArrayCache(tmp_path / "cache")
    assert load.load_nominal(path, unit="mm", cache=cache).bounds[1][0] == 1.0
    assert load.load_nominal(path, unit="in", cache=cache).bounds[1][0] == 25.4
