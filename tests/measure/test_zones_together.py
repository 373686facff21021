"""Profiles that hold together with each other and with positions, and frames that shift under profile and orientation.

The true values follow by hand from the parts' parameters, as said at each check.
"""

import numpy as np
import pytest
from scipy.optimize import linprog

from runner.geometry.shapes import Cylinder, Plane
from runner.measure.characteristics import orientation, runout
from runner.measure.characteristics.common import middle
from runner.measure.datum_seat import middle_of
from runner.measure.found import FoundFeature
from runner.measure.free_motion import Uses, best_movement
from runner.measure.run import measure
from runner.measure.shift import Allowance
from runner.measure.specs import CharacteristicSpec, DatumSpec, DatumSystemSpec, FeatureSpec, FormFilter
from runner.measure.twists import rows_of_points
from tests.measure.test_patterns import context as small_context
from tests.measure.test_runout import char as runout_char
from tests.measure.test_runout import context as runout_context
from tests.measure.test_runout import shaft

UP = (0.0, 0.0, 1.0)
A = DatumSystemSpec("A", (DatumSpec("A", ("bottom",)),))
AB = DatumSystemSpec("AB", (DatumSpec("A", ("bottom",)), DatumSpec("B", ("front",))))
"""Leaves the shift along x free."""
MAIN = DatumSystemSpec("main", (DatumSpec("A", ("bottom",)), DatumSpec("B", ("left",)), DatumSpec("C", ("front",))))


def char(kind, *features, **more):
    return CharacteristicSpec(more.pop("id", "1"), kind, features, "title", **more)


@pytest.fixture()
def results(plate, plate_index, plate_specs, make_scene, make_plan, plate_sample, plate_part):
    """Results of characteristics on a plate whose left wall stands out (or bore a is off, or noise is added)."""

    def run(specs, systems, *, left=0.0, noise=0.0, standard="ISO GPS", **part):
        points, normals = plate_sample(plate_part(noise=noise, **part), step=1.3)
        wall = np.abs(normals[:, 0] + 1.0) < 1e-9
        wall &= np.abs(points[:, 0]) < 0.5
        points[wall, 0] -= left
        # rims of the other faces go with the wall
        kept = points[:, 0] > -left - 5 * noise - 1e-9
        plan = make_plan(plate_specs.values(), specs, systems)
        plan = plan.__class__(**{**plan.__dict__, "standard": standard})
        return measure(plan, plate, plate_index, make_scene(points[kept], normals[kept])).results

    return run


def test_combined_surfaces_share_one_movement(results):
    # the plate is 0.2 too long: each wall by itself is shifted into place, both together are 0.1 out, 2 x 0.1
    common = {"zone": 0.5, "datum_system": "AB"}
    got = results(
        [
            char("profile", "left", "right", id="1", combined=True, **common),
            char("profile", "left", "right", id="2", **common),
            char("profile", "left", "right", id="3", zone=0.5, datum_system="main", combined=True),
        ],
        [AB, MAIN],
        left=0.2,
    )
    each = [[part.value for part in r.parts] for r in got]
    assert each[0] == pytest.approx([0.2, 0.2], abs=2e-5)
    assert each[1] == pytest.approx([0.0, 0.0], abs=2e-5)
    # left is the secondary datum of main: all of it is seen at the other end
    assert each[2] == pytest.approx([0.0, 0.4], abs=2e-5)
    assert "moved together; x taken" in got[0].parts[0].details["zone"]
    assert "by itself" in got[1].parts[0].details["zone"]
    assert got[0].parts[0].details["zone moved by"] == pytest.approx(0.1, abs=2e-5)


def test_a_profile_and_a_position_share_the_movement_by_their_zones(results):
    # wall 0.2 out, bore in place; x moves by d: 2 (0.2 - d) / 0.2 = 2 d / 0.6, so d = 0.15: 0.1 and 0.3 by hand
    specs = [
        char("profile", "left", id="1", zone=0.2, datum_system="AB", simultaneous="all"),
        char("position", "bore a", id="2", zone=0.6, zone_shape="diametral", datum_system="AB", simultaneous="all"),
    ]
    got = results(specs, [AB], left=0.2)
    assert [r.value for r in got] == pytest.approx([0.1, 0.3], abs=1e-5)
    assert all('of "all" moved together' in r.details["zone"] for r in got)


def test_what_can_not_be_seen_is_not_moved_without(results):
    specs = [
        char("profile", "left", id="1", zone=0.2, datum_system="AB", simultaneous="all"),
        char("position", "nowhere", id="2", zone=0.6, datum_system="AB", simultaneous="all"),
        char("perpendicularity", "left", id="3", zone=0.6, datum_system="AB", simultaneous="all"),
    ]
    got = results(specs[:2], [AB])
    assert "the zones move together, and" in got[0].reason and "nowhere" in got[0].reason
    got = results([specs[0], specs[2]], [AB])
    assert "3 (perpendicularity) can't be moved with them" in got[0].reason


def test_lines_in_combined_sections_share_one_movement(results):
    section = char(
        "profile of a line", "left", "right", id="1", zone=0.5, datum_system="AB", combined=True,
        direction=(0.0, 1.0, 0.0), step=30.0,
    )  # fmt: skip
    alone = char(
        "profile of a line", "left", "right", id="2", zone=0.5, datum_system="AB", direction=(0.0, 1.0, 0.0), step=30.0
    )
    got = results([section, alone], [AB], left=0.2)
    together, single = got[0].parts, got[1].parts
    assert len(together) == 4
    assert [r.value for r in together] == pytest.approx([0.2] * 4, abs=1e-5)
    assert [r.value for r in single] == pytest.approx([0.0] * 4, abs=1e-5)
    assert "each section by itself" in single[0].details["zone"]


def test_a_profile_shifts_within_the_clearance_of_a_datum_at_maximum_material(results):
    # bore 12.2 over a virtual condition of 12.0: 0.1 to any side; the wall is 0.3 out: 2 x (0.3 - 0.1)
    at = {"bore_growth": {"bore a": 0.1}, "left": 0.3}
    shifts = DatumSpec("B", ("bore a",), "least squares", material="maximum", virtual_size=12.0)
    held = DatumSpec("B", ("bore a",), "least squares")
    systems = [
        DatumSystemSpec(name, (DatumSpec("A", ("bottom",)), b, DatumSpec("C", ("front",), orientation_only=True)))
        for name, b in (("shifts", shifts), ("held", held))
    ]
    got = results(
        [char("profile", "left", id=name, zone=1.0, datum_system=name) for name in ("shifts", "held")], systems, **at
    )
    assert got[1].value == pytest.approx(0.6, abs=1e-4)
    # points 1.3 mm apart leave the boundary a little more room between them than a whole wall does
    assert got[0].value == pytest.approx(0.4, abs=0.01)
    assert got[0].details["room left at datum B"] == pytest.approx(0.0, abs=2e-5)


def test_profile_says_what_noise_adds_and_the_plain_zone(results):
    sigma = 0.02
    plain, judged = results(
        [
            char("profile", "top", id="1", zone=0.5, datum_system="main"),
            char("profile", "top", id="2", zone=0.5, datum_system="main", judge=FormFilter("gaussian", 10.0)),
        ],
        [MAIN],
        noise=sigma,
    )
    assert plain.details["noise of a point"] == pytest.approx(sigma, rel=0.1)
    # a perfect face: nearly all of its value is noise, and the interval reaches down to nothing
    assert plain.value > 5 * sigma
    assert plain.details["corrected for noise"] < 0.25 * plain.value
    assert plain.details["corrected, at least"] < 1.5 * sigma
    assert "datums" in plain.details["noise counted"]
    assert judged.details["plain zone"] == pytest.approx(plain.value, rel=1e-9)
    assert judged.value < 0.4 * plain.value
    assert "cut-off 10 mm" in judged.details["judged"]


def wall(slope, count=400):
    """A face square to x that leans by a slope over y and by twice that over z."""
    rng = np.random.default_rng(1)
    y, z = rng.uniform(-20, 20, count), rng.uniform(0, 30, count)
    points = np.column_stack([slope * y + 2 * slope * z, y, z])
    normal = np.array([1.0, -slope, -2 * slope])
    spec = FeatureSpec("wall", "plane", Plane((0, 0, 0), (1.0, 0, 0)))
    return FoundFeature(spec, Plane((0, 0, 0), tuple(normal / np.linalg.norm(normal))), points=points, coverage=1.0)


def ends(radius, half):
    """Rings at both ends of a bore along z."""
    angle = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    ring = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    return np.vstack([np.column_stack([ring, np.full(360, h)]) for h in (-half, half)])


def test_perpendicularity_takes_the_tilt_that_a_bore_at_maximum_material_allows():
    # bore 2 x 10.05, long 2 x 20, virtual condition 2 x 10: it can lean by 0.05 / 20 about y
    turn, slope = np.zeros((6, 6)), 0.004
    turn[[0, 1, 3, 4], [0, 1, 2, 3]] = 1.0
    allowed = Allowance("B", ends(10.05, 20.0), Cylinder((0, 0, 0), UP, 10.0), 1)
    lean = np.array([slope, 0.0, 1.0])
    axis = FoundFeature(
        FeatureSpec("axis", "cylinder", Cylinder((0, 0, 0), UP, 4.0), span=(0.0, 30.0)),
        Cylinder((0, 0, 0), tuple(lean / np.linalg.norm(lean)), 4.0),
    )
    there = small_context([axis], np.zeros((6, 0)), shift=turn[:, :4], allowances=(allowed,))
    spec = CharacteristicSpec("1", "parallelism", ("axis",), "t", zone=0.1, zone_shape="diametral", datum_system="S")
    got = orientation.evaluate(spec, there)[0]
    assert got.value == pytest.approx((slope - 0.05 / 20) * 30.0, abs=1e-4)
    assert got.details["room left at datum B"] == pytest.approx(0.0, abs=1e-7)
    held = orientation.evaluate(spec, small_context([axis], np.zeros((6, 0))))[0]
    assert held.value == pytest.approx(slope * 30.0, abs=1e-12)


def test_a_face_at_maximum_material_is_as_good_as_a_linear_programme_finds():
    face = wall(0.002)
    allowed = Allowance("B", ends(10.03, 20.0), Cylinder((0, 0, 0), UP, 10.0), 1)
    free = np.eye(6)[:, [0, 1, 2, 3, 4]]
    there = small_context([face], np.zeros((6, 0)), shift=free, allowances=(allowed,))
    spec = CharacteristicSpec("1", "parallelism", ("wall",), "t", zone=0.1, datum_system="S")
    got = orientation.evaluate(spec, there)[0]
    # SciPy's linprog on the same problem made linear: turn and shift of the part, middle and half width of the zone
    rows = rows_of_points(face.points, np.tile([1.0, 0, 0], (len(face.points), 1)), np.zeros(3))
    room, grow = allowed.room(np.eye(4)), allowed.rows(np.eye(4), np.zeros(3))
    x, one = face.points[:, 0], np.ones((len(face.points), 1))
    found = linprog(
        np.r_[np.zeros(7), 1.0],
        A_ub=np.vstack(
            [np.hstack([rows, -one, -one]), np.hstack([-rows, one, -one]), np.hstack([-grow, np.zeros((len(grow), 2))])]
        ),
        b_ub=np.r_[-x, x, room],
        bounds=[(None, None)] * 7 + [(0, None)],
    )
    assert got.value == pytest.approx(2 * found.fun, abs=2e-5)
    assert got.value < np.ptp(x) - 0.01


def test_zones_that_shift_by_themselves_take_half_their_range():
    values, rows = np.array([1.0, 1.4, 1.2]), np.zeros((3, 6))
    rows[:, 3] = [1.0, 1.0, 1.0]
    got = best_movement(lambda frame: [Uses(values, rows, 0.0, floats=True)], np.eye(4), np.zeros((6, 0)), np.zeros(3))
    assert got.excess == pytest.approx(0.2, abs=1e-12)


def test_runout_takes_no_shift_and_says_so():
    there = runout_context(shaft(offset=0.05))
    system = there.systems["A"]
    allowed = Allowance("A", ends(8.1, 10.0), Cylinder((0, 0, 0), UP, 8.0), 1)
    loose = system.__class__("A", np.eye(4), system.free, np.zeros(3), shift=np.eye(6)[:, 3:5], allowances=(allowed,))
    there.systems["A"] = loose
    got = runout.total(runout_char("total runout", "shaft"), there)[0]
    assert got.value == pytest.approx(0.1, abs=2e-5)
    assert "regardless of its size" in got.details["datum"]


def test_constructed_axes_are_judged_over_their_own_extent():
    # an axis through two circles 40 apart, its own point anywhere on it; leaning by 0.001
    lean = np.array([0.001, 0.0, 1.0]) / np.hypot(1.0, 0.001)
    far = np.array([0.3, 0.0, 0.0]) + 70.0 * lean
    axis = FoundFeature(
        FeatureSpec("axis", "axis", Cylinder((0, 0, 0), UP, 4.0)), Cylinder(tuple(far), tuple(lean), 4.0),
        extent=(0.0, 40.0),
    )  # fmt: skip
    line = FoundFeature(
        FeatureSpec("axis", "line", Cylinder((0, 0, 0), UP, 4.0), source="constructed"),
        Cylinder(tuple(far), tuple(lean), 4.0), extent=(0.0, 40.0),
    )  # fmt: skip
    there = small_context([axis], np.zeros((6, 0)))
    spec = CharacteristicSpec("1", "parallelism", ("axis",), "t", zone=0.1, zone_shape="diametral", datum_system="S")
    assert orientation.evaluate(spec, there)[0].value == pytest.approx(0.04, abs=1e-9)
    assert middle_of(axis) == 20.0
    assert middle(line) == pytest.approx((0.32, 0.0, 20.0), abs=5e-4)
