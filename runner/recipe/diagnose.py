"""From pydantic's errors to problems that a recipe's writer understands."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any, get_args

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from runner.diagnostics import Problem
from runner.recipe.alignment import WeightedFeatures
from runner.recipe.base import Section
from runner.recipe.characteristics import CHARACTERISTIC_MODELS, PointFile, kind_of_key
from runner.recipe.features import FEATURE_MODELS, FacesAt
from runner.recipe.kinds import (
    CHARACTERISTIC_KINDS,
    FEATURE_KINDS,
    LATER_FEATURES,
)
from runner.recipe.places import Path, Places, trail
from runner.recipe.scalars import Refused, listed, nearest
from runner.recipe.schema import RESERVED, Recipe
from runner.recipe.sections import Judge
from runner.recipe.text import spaced

_TAG = re.compile(r"^<.*>$")
_MODELS: dict[str, type[Section]] = {f"<{k}>": m for k, m in {**FEATURE_MODELS, **CHARACTERISTIC_MODELS}.items()}
_NESTED: dict[str, type[Section]] = {m.__name__: m for m in (Judge, FacesAt, PointFile, WeightedFeatures)}


def diagnose(error: ValidationError, places: Places) -> list[Problem]:
    """Return one problem for each error, unsorted."""
    problems: list[Problem] = []
    for details in error.errors():
        problems += _translate(details, tuple(details["loc"]), Recipe, places)
    return _without_echoes(problems)


def _without_echoes(problems: list[Problem]) -> list[Problem]:
    """Leave out "missing" where the same object has an unknown key that is a near miss of it."""
    missed = {
        (p.where, p.message.split("unknown key")[0], p.suggestion.split('"')[1])
        for p in problems
        if "unknown key" in p.message and '"' in p.suggestion
    }

    def echo(problem: Problem) -> bool:
        found = re.search(r'^(.*)the key "(.*)" is missing$', problem.message)
        return found is not None and (problem.where, found[1], found[2]) in missed

    return [problem for problem in problems if not echo(problem)]


def _translate(details: ErrorDetails, loc: tuple[str | int, ...], root: type[Section], places: Places) -> list[Problem]:
    kind = details["type"]
    path = tuple(step for step in loc if not _TAG.match(str(step)))
    if kind == "value_error":
        cause = details["ctx"]["error"]
        if isinstance(cause, ValidationError):
            model = _NESTED.get(cause.title, Section)
            inner: list[Problem] = []
            for nested in cause.errors():
                inner += _translate(nested, (*loc, *nested["loc"]), model, places)
            return inner
        if isinstance(cause, Refused):
            at = (*path, cause.key) if cause.key else path
            return [_said(places, at, cause.message, cause.allowed, cause.suggestion)]
        return [_said(places, path, str(cause))]
    if kind == "extra_forbidden":
        return [_unknown_key(path, _model_at(loc[:-1], root, details), places)]
    if kind == "missing":
        return [_missing_key(path, _model_at(loc[:-1], root, details), places)]
    if kind == "no_kind":
        return [_no_kind(path, places)]
    words = {
        "dict_type": ("a map belongs here", "keys with values"),
        "list_type": ("a list belongs here", "a list in brackets, such as [A, B, C]"),
        "model_type": ("a map belongs here", "keys with values"),
    }
    message, allowed = words.get(kind, (str(details["msg"]), ""))
    node = places.node(path)
    if node is not None and node.text == "":
        message = "has no value"
    return [_said(places, path, message, allowed)]


def _said(places: Places, path: Path, message: str, allowed: str = "", suggestion: str = "") -> Problem:
    inside = trail(path)
    at_key = bool(path) and path[-1] == "[key]"
    return places.problem(path, f"{inside}: {message}" if inside and not at_key else message, allowed, suggestion)


def _model_at(loc: tuple[str | int, ...], root: type[Section], details: ErrorDetails) -> type[Section] | None:
    """Return the model that an error's place lies in."""
    if root is not Recipe:
        return root
    model: type[Section] | None = root
    for step in loc:
        if str(step) in _MODELS:
            model = _MODELS[str(step)]
        elif model is not None and isinstance(step, str):
            for field in model.model_fields.values():
                if field.alias == step:
                    model = _section_in(field.annotation) or model
    return model


def _section_in(annotation: Any) -> type[Section] | None:
    """Return the model inside an annotation such as ``dict[str, Datum] | None``."""
    if isinstance(annotation, type) and issubclass(annotation, Section):
        return annotation
    for argument in get_args(annotation):
        found = _section_in(argument)
        if found is not None:
            return found
    return None


def _article(kind: str) -> str:
    return f"an {kind}" if kind[0] in "aeiou" else f"a {kind}"


def _allowed_keys(model: type[Section] | None) -> str:
    if model is None:
        return ""
    kind = getattr(model, "kind", "")
    keys = ", ".join(model.keys())
    return f"for {_article(kind)}: {keys}" if kind else keys


def _unknown_key(path: Path, model: type[Section] | None, places: Places) -> Problem:
    key = str(path[-1])
    reserved = RESERVED.get(tuple(str(step) for step in path))
    if reserved:
        return places.problem(path, reserved, at_key=True)
    in_characteristic = len(path) == 3 and path[0] == "characteristics"
    second = kind_of_key(key) if in_characteristic else None
    if len(path) == 3 and path[0] == "features" and spaced(key) in FEATURE_KINDS:
        second = spaced(key)
    if second:
        return places.problem(path, f'a second kind "{key}"', "one kind for each name", at_key=True)
    inside = trail(path[:-1])
    message = f'{inside}: unknown key "{key}"' if inside else f'unknown key "{key}"'
    suggestion = model.suggestion(spaced(key)) if model is not None else ""
    problem = places.problem(path, message, _allowed_keys(model), suggestion, at_key=True)
    return replace(problem, where="recipe") if len(path) == 1 else problem


def _missing_key(path: Path, model: type[Section] | None, places: Places) -> Problem:
    key = str(path[-1])
    inside = trail(path[:-1])
    message = f'{inside}: the key "{key}" is missing' if inside else f'the key "{key}" is missing'
    description = ""
    if model is not None:
        described = next((f.description for f in model.model_fields.values() if f.alias == key), None)
        description = f"{key}: {described}" if described else ""
    return places.problem(path[:-1], message, description, at_key=True)


def _no_kind(path: Path, places: Places) -> Problem:
    """Return the problem of a feature or characteristic that has no kind this version knows."""
    of_feature = bool(path) and path[0] == "features"
    kinds = ("pattern", *FEATURE_KINDS) if of_feature else CHARACTERISTIC_KINDS
    allowed = "one of the kinds " + ", ".join(kinds)
    node = places.node(path)
    if node is None or node.pairs is None:
        return places.problem(path, "a map with the kind as its first key belongs here", allowed, at_key=True)
    keys = [(key.text or "", spaced(key.text or "")) for key, _ in node.pairs]
    for written, usual in keys if of_feature else ():
        if usual in LATER_FEATURES:
            said = f"a {usual} is not stated but constructed: midpoint, intersection, centre or projection of features"
            return places.problem((*path, written), said, allowed, at_key=True)
    for written, usual in keys:
        suggestion = nearest(usual, kinds)
        if suggestion:
            return places.problem((*path, written), f'"{written}" is no kind', allowed, suggestion, at_key=True)
    what = "no kind among its keys" + (" " + listed((f'"{written}"' for written, _ in keys), 8) if keys else "")
    return places.problem(path, what, allowed, at_key=True)
