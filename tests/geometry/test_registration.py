"""Rigid registration against exact, published and library answers."""

from pathlib import Path

import numpy as np
import pytest
import yaml
from scipy.spatial.transform import Rotation

from runner.geometry.registration import register

REFERENCE = Path(__file__).parents[1] / "reference"


def load(name):
    return yaml.safe_load((REFERENCE / f"{name}.yaml").read_text())


def test_exact_rational_answer():
    data = load("registration_exact_rational")
    found = register(np.array(data["source"], dtype=float), np.array(data["target"]))
    assert found.a_from_b[:3, :3] == pytest.approx(np.array(data["rotation"]), abs=1e-13)
    assert found.a_from_b[:3, 3] == pytest.approx(data["translation"], abs=1e-11)
    assert found.rms < 1e-12


def test_rotation_only():
    data = load("registration_rotation_only")
    found = register(np.array(data["b"], dtype=float), np.array(data["a"], dtype=float), move=False)
    assert found.a_from_b[:3, :3] == pytest.approx(np.array(data["published"]["rotation"], dtype=float), abs=1e-12)
    assert np.sqrt(found.sum_squares) == pytest.approx(data["published"]["root_sum_of_squares"], abs=1e-12)


def test_mirror_image_is_not_returned():
    # the published example lies in a plane; lifted off it by a third direction that both sets share, so that a
    # turn about an axis in the plane (the mirror image of the plane) costs more than it gains
    data = load("registration_umeyama_triangle")
    lift = 10.0 * np.array([1.0, -1.0])
    source = np.array([[*p, z] for p in data["x"] for z in lift])
    target = np.array([[*p, z] for p in data["y"] for z in lift])
    found = register(source, target)
    expected = data["recomputed_rigid_scale_1"]
    assert found.a_from_b[:2, :2] == pytest.approx(np.array(expected["rotation"]), abs=1e-9)
    assert found.a_from_b[:2, 3] == pytest.approx(expected["translation"], abs=1e-9)
    assert found.sum_squares / 2 == pytest.approx(expected["sum_of_squares"], abs=1e-9)
    assert np.linalg.det(found.a_from_b[:3, :3]) == pytest.approx(1.0)


def test_against_scipy_with_weights():
    rng = np.random.default_rng(5)
    for _ in range(100):
        n = int(rng.integers(3, 40))
        b = rng.normal(0, 30, (n, 3))
        a = b @ Rotation.random(rng=rng).as_matrix().T + rng.normal(0, 100, 3) + rng.normal(0, 1.0, (n, 3))
        w = rng.uniform(0.1, 3.0, n)
        found = register(b, a, w)
        middle_a, middle_b = np.average(a, axis=0, weights=w), np.average(b, axis=0, weights=w)
        turn, rest = Rotation.align_vectors(a - middle_a, b - middle_b, weights=w)
        assert found.a_from_b[:3, :3] == pytest.approx(turn.as_matrix(), abs=1e-10)
        assert np.sqrt(found.sum_squares) == pytest.approx(rest, rel=1e-9)


def test_weight_zero_is_absent():
    rng = np.random.default_rng(6)
    b = rng.normal(0, 10, (8, 3))
    a = b + [1.0, 2.0, 3.0]
    a[0] += 50.0
    found = register(b, a, np.array([0.0] + [1.0] * 7))
    assert found.a_from_b[:3, 3] == pytest.approx([1.0, 2.0, 3.0], abs=1e-12)
    assert found.points == 7


@pytest.mark.parametrize(
    ("b", "a", "reason"),
    [
        (np.zeros((2, 3)), np.zeros((2, 3)), "too few points: 2 given"),
        (np.zeros((5, 3)), np.zeros((5, 3)), "one place or one straight line"),
        (np.outer(np.arange(5.0), [1, 2, 3]), np.outer(np.arange(5.0), [1, 2, 3]), "one place or one straight line"),
        (np.eye(3) * np.nan, np.eye(3), "not finite"),
        (np.eye(3), np.zeros((3, 3)), "several turns fit equally well"),
    ],
)
def test_data_that_leave_a_rotation_open_are_refused_with_a_reason(b, a, reason):
    found = register(b, a)
    assert not found
    assert reason in found.reason


def test_shapes_that_do_not_match_are_an_error():
    with pytest.raises(ValueError, match="same row"):
        register(np.zeros((4, 3)), np.zeros((5, 3)))
