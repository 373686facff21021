"""Datum systems to specs."""

from __future__ import annotations

from runner.measure.specs import DatumSpec, DatumSystemSpec, FormFilter, TargetSpec
from runner.recipe.datums import Datum
from runner.recipe.expand import member_names
from runner.recipe.features import PatternFeature
from runner.recipe.frames import DatumPlace, places_in
from runner.recipe.schema import Recipe
from runner.recipe.sections import Judge
from runner.recipe.translate.shapes import scaled, unit_vector

SEARCH_MM = 1.0


def members(full: Recipe, reference: str) -> tuple[str, ...]:
    """Return the single features behind a reference."""
    name = reference.removeprefix("each of ")
    item = full.features.get(name)
    return member_names(name, item) if isinstance(item, PatternFeature) else (name,)


def form_filter(judge: Judge | str | None, mm: float, absent: str = "none") -> FormFilter:
    """Return which zone is judged, or what a datum feature is filtered by."""
    if isinstance(judge, Judge):
        if judge.filter is not None:
            return FormFilter(judge.filter, None if judge.cutoff is None else judge.cutoff * mm)
        return FormFilter("central 95 %")
    return FormFilter(absent if judge is None else "none")


def datum_system(full: Recipe, name: str, text: str) -> DatumSystemSpec:
    """Return a datum system from its ordered datums."""
    datums = tuple(_datum(full, place) for place in places_in(text))
    return DatumSystemSpec(name, datums, full.source.origin("datum systems", name))


def _datum(full: Recipe, place: DatumPlace) -> DatumSpec:
    mm = full.millimetres
    entries = [(full.datums or {})[label] for label in place.labels]
    features = tuple(f for entry in entries if entry.feature is not None for f in members(full, entry.feature))
    targets = tuple(t for label, e in zip(place.labels, entries, strict=True) for t in _targets(label, e, mm))
    # a common datum is least squares only when all its parts are agreed so
    agreed = all(entry.associate == "least squares" for entry in entries)
    material = place.material or ("maximum" if entries[0].at == "maximum material" else None)
    virtual = entries[0].virtual_size
    return DatumSpec(
        "-".join(place.labels),
        features,
        "least squares" if agreed else "outside material",
        targets,
        form_filter(entries[0].filter, mm, "default"),
        material,
        virtual * mm if material is not None and virtual is not None else None,
        place.orientation_only,
    )


def _targets(label: str, entry: Datum, mm: float) -> tuple[TargetSpec, ...]:
    return tuple(
        TargetSpec(
            f"{label}{i + 1}",
            "line" if target.end is not None else "area" if target.diameter is not None else "point",
            scaled(target.at, mm),
            unit_vector(target.normal),
            None if target.end is None else scaled(target.end, mm),
            (target.diameter or 0.0) * mm,
            SEARCH_MM if target.search is None else target.search * mm,
        )
        for i, target in enumerate(entry.targets or [])
    )
