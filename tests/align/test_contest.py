"""What contests go by, beside edges."""

from __future__ import annotations

import numpy as np
import parts
from scipy.spatial.transform import Rotation

from runner.align.bins import DirectionBins
from runner.align.contest import either_face


def test_a_point_between_two_faces_lies_on_the_part_however_it_is_turned():
    """Its normal falls into another bin when the part is turned; of a wheel turned by two of five arms such points
    alone made 12 places against 3, and a pose 144 degrees off was believed."""
    random = np.random.default_rng(8)
    lost = 0
    for turn in Rotation.random(12, random_state=5).as_matrix():
        vertices, triangles, face = parts.mesh_of(parts.box(40, 30, 20))
        nominal = parts.nominal_of(vertices @ turn.T, triangles, face)
        bins = DirectionBins(nominal)
        share = random.uniform(0.1, 0.9, (200, 1))
        # along an edge between the faces x = 40 and y = 30, with normals from one to the other
        edge = np.hstack([np.full((200, 1), 40.0), np.full((200, 1), 30.0), 20.0 * share]) @ turn.T
        lean = np.radians(random.uniform(10.0, 80.0, 200))
        normals = np.column_stack([np.cos(lean), np.sin(lean), np.zeros(200)]) @ turn.T
        _, facing, plain = bins.closest(edge, normals, np.ones(200, dtype=bool), 5.0)
        plain = np.where(np.einsum("ij,ij->i", normals, facing) >= 0.5, plain, np.inf)
        lost += np.count_nonzero(plain > 1e-6)
        told = either_face(edge, normals, np.ones(200, dtype=bool), plain, bins, 5.0)
        assert told.max() < 1e-6
        # a face that looks another way stays none of theirs
        inner = either_face(edge, -normals, np.ones(200, dtype=bool), np.full(200, np.inf), bins, 5.0)
        assert np.all(np.isinf(inner))
    assert lost > 0
