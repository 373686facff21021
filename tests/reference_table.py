"""Agreement with the reference data, file by file: ``python -m tests.reference_table`` prints it.

Columns: file, what, published (as the file has it), ours, difference, allowed. The files are in tests/reference and
name their sources; ``test_reference_table.py`` asserts every row. Values "as printed" are a source's and are met to
their printed digits; the others were computed by an independent route (see each file) and are met to 1e-9 mm.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import yaml
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import norm

from runner.geometry import fits
from runner.geometry.fits import cylindricity, flatness, roundness
from runner.geometry.registration import register
from runner.measure.characteristics.position import material_bonus
from runner.measure.decide import conformance_probability, decide
from runner.measure.specs import DecisionSpec
from runner.records import Verdict

REFERENCE = Path(__file__).parent / "reference"
TIGHT = 1e-9
OPTIMISED = 1e-7
"""Places of optimised cylinder axes: the file's own optimisers agree no better (see its head)."""


@dataclass(frozen=True)
class Row:
    """One figure."""

    file: str
    what: str
    published: float
    ours: float
    allowed: float

    @property
    def difference(self) -> float:
        """Ours minus published."""
        return self.ours - self.published


Case = Callable[[str], Iterator[Row]]
CASES: dict[str, Case] = {}


def case(*names: str) -> Callable[[Case], Case]:
    """Register the function that compares these files."""

    def add(function: Case) -> Case:
        CASES.update(dict.fromkeys(names, function))
        return function

    return add


def load(file: str) -> Any:
    """Return the content of a YAML file."""
    return yaml.safe_load((REFERENCE / file).read_text("utf-8"))


def lines(file: str) -> list[dict[str, str]]:
    """Return the rows of a CSV file."""
    text = (REFERENCE / file).read_text("utf-8").splitlines()
    return list(csv.DictReader(line for line in text if not line.startswith("#")))


def worst(a: Any, b: Any) -> float:
    """Return the largest absolute difference between two vectors, of directions up to sign where ``b`` says so."""
    return float(np.max(np.abs(np.asarray(a, dtype=float) - np.asarray(b, dtype=float))))


def vectors(file: str, what: str, published: Any, ours: Any, allowed: float, *, direction: bool = False) -> Row:
    """Return one row for a vector: its length of difference stands for ours, 0 for published."""
    p, o = np.asarray(published, dtype=float), np.asarray(ours, dtype=float)
    if direction and o @ p < 0:
        o = -o
    return Row(file, f"{what} (largest difference of a coordinate)", 0.0, worst(o, p), allowed)


def quality(file: str, fit: Any, reference: dict[str, float]) -> Iterator[Row]:
    """Sums and extremes of residuals."""
    yield Row(file, "sum of squares", reference["sum_of_squares"], fit.rms**2 * fit.points, 1e-12)
    if "rms_deviation" in reference:
        yield Row(file, "rms", reference["rms_deviation"], fit.rms, TIGHT)
        yield Row(file, "largest deviation", reference["max_deviation"], float(fit.residuals.max()), TIGHT)
        yield Row(file, "least deviation", reference["min_deviation"], float(fit.residuals.min()), TIGHT)


@case("fit_circle2d_five_points.yaml", "fit_circle2d_full.yaml", "fit_circle2d_gander_golub_strebel.yaml")
def circles(file: str) -> Iterator[Row]:
    """Circles in the plane."""
    data = load(file)
    fit = fits.fit_circle2d(np.array(data["points"], dtype=float))
    ours = {
        "center_x": fit.shape.centre[0], "center_y": fit.shape.centre[1], "radius": fit.shape.radius,
        "sum_of_squares": fit.rms**2 * fit.points, "root_sum_of_squares": fit.rms * math.sqrt(fit.points),
    }  # fmt: skip
    for key, printed in data["published"].items():
        yield Row(file, f"{key}, as printed", printed["value"], ours[key], printed["tolerance"])
    for key, value in data["recomputed"].items():
        yield Row(file, key, value, ours[key], TIGHT)


@case("fit_circle3d_full.yaml")
def circle_in_space(file: str) -> Iterator[Row]:
    """Circle in space by both definitions."""
    data = load(file)
    for definition, key in (
        ("orthogonal", "reference_full_orthogonal"),
        ("two-step", "reference_two_step_plane_then_circle"),
    ):
        fit = fits.fit_circle3d(np.array(data["points"]), definition=definition)
        yield vectors(file, f"{definition}: centre", data[key]["center"], fit.shape.centre, TIGHT)
        yield vectors(file, f"{definition}: axis", data[key]["normal"], fit.shape.axis, TIGHT, direction=True)
        yield Row(file, f"{definition}: radius", data[key]["radius"], fit.shape.radius, TIGHT)


@case("fit_line2d_pearson.yaml")
def line_in_plane(file: str) -> Iterator[Row]:
    """Pearson's line."""
    data = load(file)
    fit = fits.fit_line2d(np.array(data["points"]))
    (x, y, _), (dx, dy, _) = fit.shape.point, fit.shape.direction
    ours = {"slope": dy / dx, "intercept": y - x * dy / dx, "sum_of_squares": fit.rms**2 * fit.points}
    for key, printed in data["published"].items():
        yield Row(file, f"{key}, as printed", printed["value"], ours[key], printed["tolerance"])
    for key, value in ours.items():
        yield Row(file, key, data["recomputed"][key], value, TIGHT)


@case("fit_line3d.yaml")
def line_in_space(file: str) -> Iterator[Row]:
    """Line in space."""
    data = load(file)["reference"]
    fit = fits.fit_line3d(np.array(load(file)["points"]), residuals=True)
    yield vectors(file, "point", data["point_centroid"], fit.shape.point, TIGHT)
    yield vectors(file, "direction", data["direction"], fit.shape.direction, TIGHT, direction=True)
    yield Row(file, "rms", data["rms_distance"], fit.rms, TIGHT)
    yield Row(file, "largest distance", data["max_distance"], float(fit.residuals.max()), TIGHT)


@case("fit_plane_tilted.yaml")
def plane(file: str) -> Iterator[Row]:
    """Plane."""
    data = load(file)
    fit, reference = fits.fit_plane(np.array(data["points"]), residuals=True), data["reference"]
    yield vectors(file, "point", reference["point_centroid"], fit.shape.point, TIGHT)
    yield vectors(file, "normal", reference["normal"], fit.shape.normal, TIGHT, direction=True)
    yield from quality(file, fit, reference)


@case("fit_sphere_hemisphere.yaml")
def sphere(file: str) -> Iterator[Row]:
    """Sphere from a hemisphere."""
    data = load(file)
    fit, reference = fits.fit_sphere(np.array(data["points"]), residuals=True), data["reference"]
    yield vectors(file, "centre", reference["center"], fit.shape.centre, TIGHT)
    yield Row(file, "radius", reference["radius"], fit.shape.radius, TIGHT)
    yield from quality(file, fit, reference)


@case("fit_cylinder_full.yaml")
def cylinder(file: str) -> Iterator[Row]:
    """Cylinder."""
    data = load(file)
    fit, reference = fits.fit_cylinder(np.array(data["points"]), residuals=True), data["reference"]
    yield vectors(file, "axis point", reference["axis_point_nearest_centroid"], fit.shape.point, TIGHT)
    yield vectors(file, "axis", reference["axis_direction"], fit.shape.axis, TIGHT, direction=True)
    yield Row(file, "radius", reference["radius"], fit.shape.radius, TIGHT)
    yield from quality(file, fit, reference)


@case("fit_cone_full.yaml")
def cone(file: str) -> Iterator[Row]:
    """Cone."""
    data = load(file)
    fit, reference = fits.fit_cone(np.array(data["points"]), residuals=True), data["reference"]
    yield vectors(file, "apex", reference["apex"], fit.shape.apex, TIGHT)
    yield vectors(file, "axis", reference["axis_direction_from_apex_into_cone"], fit.shape.axis, TIGHT)
    yield Row(file, "half angle, rad", reference["half_angle_rad"], fit.shape.half_angle, TIGHT)
    yield from quality(file, fit, reference)


@case("fit_torus_full.yaml")
def torus(file: str) -> Iterator[Row]:
    """Torus."""
    data = load(file)
    fit, reference = fits.fit_torus(np.array(data["points"]), residuals=True), data["reference"]
    yield vectors(file, "centre", reference["center"], fit.shape.centre, TIGHT)
    yield vectors(file, "axis", reference["axis_direction"], fit.shape.axis, TIGHT, direction=True)
    yield Row(file, "ring radius", reference["major_radius"], fit.shape.radius, TIGHT)
    yield Row(file, "tube radius", reference["minor_radius"], fit.shape.minor, TIGHT)
    yield from quality(file, fit, reference)


@case("form_straightness.yaml")
def straightness(file: str) -> Iterator[Row]:
    """Straightness in a plane."""
    data = load(file)
    points, reference = np.array(data["points"]), data["reference"]
    zone, fit = flatness.zone_line2d(points), fits.fit_line2d(points, residuals=True)
    numerator, denominator = map(int, reference["minimum_zone_squared_exact"].split("/"))
    yield Row(file, "minimum zone", reference["minimum_zone_straightness"], zone.width, TIGHT)
    yield Row(file, "minimum zone, exact rational", math.sqrt(numerator / denominator), zone.width, TIGHT)
    yield Row(
        file, "least squares", reference["least_squares_straightness"], float(np.ptp(fit.residuals)), TIGHT
    )  # fmt: skip


@case("form_flatness_grid.yaml")
def flat(file: str) -> Iterator[Row]:
    """Flatness."""
    data = load(file)
    points, reference = np.array(data["points"]), data["reference"]
    zone, fit = flatness.zone_plane(points), fits.fit_plane(points, residuals=True)
    numerator, denominator = map(int, reference["minimum_zone_squared_exact"].split("/"))
    yield Row(file, "minimum zone", reference["minimum_zone_flatness"], zone.width, TIGHT)
    yield Row(file, "minimum zone, exact rational", math.sqrt(numerator / denominator), zone.width, TIGHT)
    yield vectors(file, "zone normal", reference["minimum_zone_normal"], zone.shape.normal, TIGHT, direction=True)
    yield Row(file, "least squares", reference["least_squares_flatness"], float(np.ptp(fit.residuals)), TIGHT)


@case("form_roundness_87_points.yaml", "form_roundness_constructed.yaml")
def round_(file: str) -> Iterator[Row]:
    """Roundness by the four associations."""
    data = load(file)
    points, reference = np.array(data["points"]), data["recomputed"]
    fit = fits.fit_circle2d(points, residuals=True)
    ours = {
        "center_x": fit.shape.centre[0],
        "center_y": fit.shape.centre[1],
        "radius": fit.shape.radius,
        "rms": fit.rms,
    }
    for key, printed in data.get("published_least_squares", {}).items():
        yield Row(file, f"least squares {key}, as printed", printed["value"], ours[key], printed["tolerance"])
    squares = reference["least_squares"]
    yield vectors(file, "least squares: centre", squares["center"], fit.shape.centre[:2], TIGHT)
    yield Row(file, "least squares: radius", squares["radius"], fit.shape.radius, TIGHT)
    yield Row(file, "least squares: roundness", squares["roundness"], float(np.ptp(fit.residuals)), TIGHT)
    zone = roundness.zone_circle(points)
    yield vectors(file, "minimum zone: centre", reference["minimum_zone"]["center"], zone.shape.centre[:2], TIGHT)
    yield Row(file, "minimum zone: roundness", reference["minimum_zone"]["roundness"], zone.width, TIGHT)
    for key, function in (
        ("minimum_circumscribed", roundness.circumscribed_circle),
        ("maximum_inscribed", roundness.inscribed_circle),
    ):
        found, name = function(points), key.replace("_", " ")
        yield vectors(file, f"{name}: centre", reference[key]["center"], found.shape.centre[:2], TIGHT)
        yield Row(file, f"{name}: radius", reference[key]["radius"], found.shape.radius, TIGHT)


@case("form_cylindricity.yaml")
def cylindrical(file: str) -> Iterator[Row]:
    """Cylindricity by the four associations."""
    data = load(file)
    points, reference = np.array(data["points"]), data["reference"]

    def crossing(shape: Any) -> Any:
        p, w = np.array(shape.point), np.array(shape.axis)
        return p - w * p[2] / w[2]

    fit, zone = fits.fit_cylinder(points, residuals=True), cylindricity.zone_cylinder(points)
    squares, least = reference["least_squares"], reference["minimum_zone"]
    yield vectors(file, "least squares: axis at z = 0", squares["axis_point_at_z0"], crossing(fit.shape), TIGHT)
    yield Row(file, "least squares: radius", squares["radius"], fit.shape.radius, TIGHT)
    yield Row(file, "least squares: cylindricity", squares["cylindricity"], float(np.ptp(fit.residuals)), TIGHT)
    yield vectors(file, "minimum zone: axis at z = 0", least["axis_point_at_z0"], crossing(zone.shape), OPTIMISED)
    yield Row(file, "minimum zone: cylindricity", least["cylindricity"], zone.width, TIGHT)
    for key, function in (
        ("minimum_circumscribed", cylindricity.circumscribed_cylinder),
        ("maximum_inscribed", cylindricity.inscribed_cylinder),
    ):
        found, name = function(points), key.replace("_", " ")
        wanted = reference[key]
        yield vectors(file, f"{name}: axis at z = 0", wanted["axis_point_at_z0"], crossing(found.shape), OPTIMISED)
        yield Row(file, f"{name}: radius", wanted["radius"], found.shape.radius, TIGHT)


@case("registration_exact_rational.yaml")
def rational(file: str) -> Iterator[Row]:
    """A turn with rational entries."""
    data = load(file)
    found = register(np.array(data["source"], dtype=float), np.array(data["target"]))
    yield vectors(file, "rotation", np.ravel(data["rotation"]), found.a_from_b[:3, :3].ravel(), 1e-12)
    yield vectors(file, "translation", data["translation"], found.a_from_b[:3, 3], TIGHT)


@case("registration_rotation_only.yaml")
def rotation_only(file: str) -> Iterator[Row]:
    """A turn without a shift."""
    data = load(file)
    found = register(np.array(data["b"], dtype=float), np.array(data["a"], dtype=float), move=False)
    published = data["published"]
    yield vectors(file, "rotation", np.ravel(published["rotation"]), found.a_from_b[:3, :3].ravel(), 1e-12)
    yield Row(file, "root sum of squares", published["root_sum_of_squares"], math.sqrt(found.sum_squares), 1e-12)


@case("registration_umeyama_triangle.yaml")
def triangle(file: str) -> Iterator[Row]:
    """The planar example, lifted off its plane by points shared by both, so that a turn over gains nothing.

    Scale is not estimated by this tool (parts don't shrink to fit), so the rigid answer of the file counts. The
    published similarity's rotation is compared too: scale and rotation are found apart in that method.
    """
    data = load(file)
    lift = 10.0 * np.array([1.0, -1.0])
    source = np.array([[*p, z] for p in data["x"] for z in lift])
    target = np.array([[*p, z] for p in data["y"] for z in lift])
    found, wanted = register(source, target), data["recomputed_rigid_scale_1"]
    turn, printed = found.a_from_b[:2, :2].ravel(), data["published_similarity"]
    yield vectors(file, "rotation, as printed", np.ravel(printed["rotation"]), turn, printed["tolerance"])
    yield vectors(file, "rotation", np.ravel(wanted["rotation"]), turn, TIGHT)
    yield vectors(file, "translation", wanted["translation"], found.a_from_b[:2, 3], TIGHT)
    yield Row(file, "sum of squares", wanted["sum_of_squares"], found.sum_squares / 2, TIGHT)


@case("gdt_position_2d.csv")
def position(file: str) -> Iterator[Row]:
    """Position of an axis parallel to its true position, through the characteristic's own arithmetic."""
    for row in lines(file):
        dx, dy = float(row["dx_mm"]), float(row["dy_mm"])
        yield Row(file, f"dx {dx:g}, dy {dy:g}", float(row["position_diameter_mm"]), _position(dx, dy), 1e-8)


def _position(dx: float, dy: float) -> float:
    """Return the position of a made-up hole off by (dx, dy), by the characteristic in a full datum frame."""
    from runner.geometry.shapes import Circle
    from runner.measure.characteristics.common import Context, Value
    from runner.measure.datums import Established
    from runner.measure.found import FoundFeature
    from runner.measure.kinds import KINDS
    from runner.measure.specs import CharacteristicSpec, FeatureSpec, MeasurePlan

    spec = CharacteristicSpec(
        "1", "position", ("hole",), "t", zone=1.0, zone_shape="diametral", datum_system="main"
    )  # fmt: skip
    asked = FeatureSpec("hole", "circle", Circle((10.0, 20.0, 0.0), (0.0, 0.0, 1.0), 3.0))
    feature = FoundFeature(asked, Circle((10.0 + dx, 20.0 + dy, 0.0), (0.0, 0.0, 1.0), 3.0))
    nothing: Any = None
    context = Context(
        MeasurePlan("ISO GPS", (asked,), (), (spec,), 0.02, 0.5), nothing, nothing, nothing, {"hole": asked},
        {"hole": feature}, {"main": Established("main", np.eye(4), np.zeros((6, 0)), np.zeros(3))},
    )  # fmt: skip
    (value,) = KINDS["position"].evaluate(spec, context)
    assert isinstance(value, Value), value
    return value.value


@case("gdt_mmc_bonus.csv")
def bonus(file: str) -> Iterator[Row]:
    """Bonus and allowed position; without the modifier there is none."""
    for k, row in enumerate(lines(file)):
        limits = (float(row["size_min"]), float(row["size_max"]))
        shaft, actual, zone = row["feature"] == "pin", float(row["actual_size"]), float(row["position_tolerance"])
        given = 0.0
        if row["modifier"] == "M":
            given = material_bonus(actual, limits, shaft=shaft, condition="maximum")
        name = f"row {k + 1}: {row['feature']} {actual:g}, {row['modifier']}"
        yield Row(file, f"{name}: bonus", float(row["bonus"]), given, TIGHT)
        yield Row(file, f"{name}: allowed position", float(row["allowed_position"]), zone + given, TIGHT)
        placed = decide(float(row["actual_position"]), None, zone + given, DecisionSpec("simple")).verdict
        sized = decide(actual, *limits, DecisionSpec("simple")).verdict
        passed = placed is Verdict.CONFORMS and sized is Verdict.CONFORMS
        yield Row(file, f"{name}: passes (1) or not (0)", float(row["decision"] == "pass"), float(passed), 0.0)


@case("iso286_it_grades.csv")
def grades(file: str) -> Iterator[Row]:
    """Tolerance grades, um."""
    from runner.recipe.iso286 import deviations

    for row in lines(file):
        for grade in range(5, 15):
            ours = 1000 * deviations(float(row["to_mm"]), f"H{grade}")[1]
            yield Row(file, f"to {row['to_mm']}: IT{grade}", float(row[f"IT{grade}"]), ours, 1e-6)


@case("iso286_shaft_deviations.csv")
def shafts(file: str) -> Iterator[Row]:
    """Fundamental deviations of shafts, um."""
    from runner.recipe.iso286 import deviations

    for row in lines(file):
        for key, value in row.items():
            if key.startswith(("es_", "ei_")):
                upper, letter = key.startswith("es_"), key[3:]
                ours = 1000 * deviations(float(row["to_mm"]), f"{letter}{7 if upper else 6}")[1 if upper else 0]
                yield Row(file, f"to {row['to_mm']}: {key}", float(value), ours, 1e-6)


@case("iso2768_1_linear.csv")
def general_lengths(file: str) -> Iterator[Row]:
    """General tolerances of lengths, mm."""
    from runner.recipe.iso2768 import linear_deviation

    for row in lines(file):
        for letter in "fmcv":
            if row[letter]:
                ours = linear_deviation(float(row["to_mm"]), letter)
                yield Row(file, f"to {row['to_mm']}: {letter}", float(row[letter]), ours, TIGHT)


@case("iso2768_1_angular.csv")
def general_angles(file: str) -> Iterator[Row]:
    """General tolerances of angles, degrees."""
    from runner.recipe.iso2768 import angular_deviation

    for row in lines(file):
        for letter, column in (("f", "f_and_m"), ("m", "f_and_m"), ("c", "c"), ("v", "v")):
            degrees, minutes = row[column].split(":")
            side = float(row["to_mm"] or 5000)
            ours = angular_deviation(side, letter)
            yield Row(file, f"to {row['to_mm'] or 'any'}: {letter}", int(degrees) + int(minutes) / 60, ours, TIGHT)


@case("decision_conformance_probability.yaml")
def conformance(file: str) -> Iterator[Row]:
    """Conformance probabilities and the threshold of a guarded rejection."""
    data = load(file)
    for example in data["examples"]:
        ours = conformance_probability(example["y"], example.get("lower"), example.get("upper"), example["u"])
        yield Row(file, example["name"], example["p_conform"], ours, TIGHT)
        yield Row(file, f"{example['name']}, as printed", example["p_conform_published"], ours, 0.005)
    guard = data["guard_band_example"]

    def excess(value: float) -> float:
        u = guard["relative_u"] * value
        return conformance_probability(value, None, float(guard["limit"]), u) - (1 - guard["probability"])

    ours = brentq(excess, guard["limit"], 1.5 * guard["limit"], xtol=1e-12)
    yield Row(file, "threshold of rejection", guard["threshold"], ours, 1e-6)
    yield Row(file, "threshold of rejection, as printed", guard["threshold_published"], ours, 0.5)


@case("decision_guard_band_table.csv")
def guard_bands(file: str) -> Iterator[Row]:
    """Risk at the acceptance limit that ``decide`` draws, percent."""
    for row in lines(file):
        edge = _acceptance_edge(0.0, 10.0, float(row["r"]), 0.1)
        risk = 100 * (1 - conformance_probability(edge, None, 10.0, 0.1))
        published = float(row["max_false_accept_percent"])
        yield Row(file, row["rule"], published, risk, max(1e-9, 3e-4 * published))


def _acceptance_edge(start: float, limit: float, factor: float, u: float) -> float:
    """Return the largest value that ``decide`` accepts, by bisection; ``start`` is accepted."""
    rule = DecisionSpec("guarded by factor", factor) if factor else DecisionSpec("simple")
    low, high = start, limit + 5 * u
    for _ in range(80):
        middle = 0.5 * (low + high)
        verdict = decide(middle, 2 * start - limit, limit, rule, u).verdict
        low, high = (middle, high) if verdict is Verdict.CONFORMS else (low, middle)
    return low


@case("decision_global_risk.csv")
def global_risk(file: str) -> Iterator[Row]:
    """Consumer's and producer's risk of a process when ``decide`` decides (JCGM 106:2012, clause 9).

    The tool computes no risk of a process; what is checked is that its acceptance limits give the guide's risks:
    the limit is found from ``decide``, then true values and measuring errors are integrated over.
    """
    for row in lines(file):
        limit, spread, u = (float(row[k]) for k in ("tolerance_half_width", "process_sd", "measurement_u"))
        wanted = float(row["acceptance_half_width"])
        edge = _acceptance_edge(0.0, limit, (limit - wanted) / (2 * u), u)
        name = f"T {limit:g}, s {spread:g}, u {u:g}, A {wanted:g}"
        yield Row(file, f"{name}: acceptance limit", wanted, edge, 1e-8)

        def accepted(true: float, edge: float = edge, u: float = u) -> float:
            return float(norm.cdf((edge - true) / u) - norm.cdf((-edge - true) / u))

        def outside(true: float, spread: float = spread) -> float:
            return float(norm.pdf(true, 0.0, spread)) * accepted(true)

        def inside(true: float, spread: float = spread) -> float:
            return float(norm.pdf(true, 0.0, spread)) * (1.0 - accepted(true))

        consumer = 2 * quad(outside, limit, limit + 12 * u, epsabs=1e-13)[0]
        producer = 2 * quad(inside, 0.0, limit, epsabs=1e-13, points=[edge], limit=200)[0]
        yield Row(file, f"{name}: consumer's risk", float(row["consumer_risk"]), consumer, 2e-6)
        yield Row(file, f"{name}: producer's risk", float(row["producer_risk"]), producer, 2e-6)


NOT_COMPUTED = {
    "iso2768_2_geometrical.csv": "general geometrical tolerances are not offered: the recipe states each, and says so",
    "thermal_expansion_20C.yaml": "no temperature correction is computed in this version",
}
"""Files of the reference about tolerances or measuring that concern nothing this tool computes yet."""


def rows() -> list[Row]:
    """Return every figure."""
    return [row for file, function in CASES.items() for row in function(file)]


def main() -> None:
    """Print the table; the exit status says whether all agree."""
    found = rows()
    width, text = max(len(r.file) for r in found), max(len(r.what) for r in found)
    print(f"{'file':{width}}  {'what':{text}}  {'published':>18}  {'ours':>18}  {'difference':>10}  allowed")
    for r in found:
        missed = "" if abs(r.difference) <= r.allowed else "  MISSED"
        print(
            f"{r.file:{width}}  {r.what:{text}}  {r.published:18.11g}  {r.ours:18.11g}  {r.difference:10.1e}  "
            f"{r.allowed:.0e}{missed}"
        )
    print(f"\n{'file':{width}}  figures  largest difference / allowed")
    for file in CASES:
        mine = [r for r in found if r.file == file]
        ratio = max((abs(r.difference) / r.allowed if r.allowed else float(r.difference != 0)) for r in mine)
        print(f"{file:{width}}  {len(mine):7}  {ratio:.2g}")
    for file, why in NOT_COMPUTED.items():
        print(f"{file:{width}}  not compared: {why}")
    missed = sum(abs(r.difference) > r.allowed for r in found)
    print(f"\n{len(found)} figures of {len(CASES)} files, {missed} beyond what is allowed")
    raise SystemExit(1 if missed else 0)


if __name__ == "__main__":
    main()
