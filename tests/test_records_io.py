"""Records to JSON and back."""

import json
import math
from dataclasses import replace

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.diagnostics import InputError
from runner.records import Inspection, Uncertainty, Verdict
from runner.records_io import (
    CodecError,
    canonical_text,
    from_json,
    inspection_from_json,
    inspection_schema,
    text_hash,
    to_json,
)
from tests.report.samples import make_inspection, small_lot

finite = st.floats(allow_nan=False, allow_infinity=False)


def through_text(inspection: Inspection) -> Inspection:
    return inspection_from_json(json.loads(canonical_text(to_json(inspection))))


@pytest.mark.parametrize("inspection", small_lot(), ids=lambda i: i.serial)
def test_round_trip_is_lossless(inspection):
    again = through_text(inspection)
    assert again == inspection
    assert canonical_text(to_json(again)) == canonical_text(to_json(inspection))
    assert isinstance(again.results[0].verdict, Verdict)
    assert isinstance(again.poses[0].removed, dict)


@settings(max_examples=60, deadline=None)
@given(value=finite, text=st.text(), details=st.dictionaries(st.text(), st.one_of(finite, st.text()), max_size=4))
def test_any_finite_number_and_any_text_survive_to_the_bit(value, text, details):
    first = make_inspection("1")
    result = replace(first.results[0], value=value, title=text, details=details)
    again = through_text(replace(first, serial=text, results=(result,)))
    assert again.results[0] == result and again.serial == text
    assert math.copysign(1.0, again.results[0].value) == math.copysign(1.0, value)


def test_surrogates_of_undecodable_file_names_survive():
    first = make_inspection(b"PB-\xff.ply".decode("utf-8", "surrogateescape"))
    assert through_text(first) == first
    assert canonical_text(to_json(first)).isascii()


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 10**400])
def test_not_a_number_is_refused_by_name(bad):
    inspection = make_inspection("1")
    broken = replace(inspection, results=(replace(inspection.results[0], value=bad),))
    with pytest.raises(CodecError, match=r"Inspection.results\[0\].value: .* must never enter a record"):
        to_json(broken)


def test_numpy_scalars_become_plain_numbers_and_arrays_are_refused():
    inspection = make_inspection("1")
    as_numpy = replace(inspection.results[0], value=np.float64(12.5), points=np.int64(7))
    data = to_json(replace(inspection, results=(as_numpy,)))
    assert type(data["results"][0]["value"]) is float and type(data["results"][0]["points"]) is int
    with pytest.raises(CodecError, match="features"):
        to_json(replace(inspection, features=np.zeros(3)))
    with pytest.raises(CodecError, match="coverage"):
        to_json(replace(inspection, results=(replace(inspection.results[0], coverage=True),)))


def test_whole_numbers_in_float_fields_hash_like_floats():
    a = Uncertainty(1, 2, 2, "computed")
    b = Uncertainty(1.0, 2.0, 2.0, "computed")
    assert canonical_text(to_json(a)) == canonical_text(to_json(b))


def test_canonical_text_does_not_depend_on_the_order_of_keys():
    assert canonical_text({"b": 1, "a": {"d": 0.1, "c": "é"}}) == '{"a":{"c":"\\u00e9","d":0.1},"b":1}'
    # SHA-256 of "{}", computed by coreutils sha256sum
    assert text_hash("{}") == "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"format": 2}, "reads format 1"),
        ({"surprise": 1}, "unknown field 'surprise'"),
        ({"outcome": "fine"}, "'fine' is not one of 'accept', 'reject', 'hold'"),
        ({"serial": 7}, "inspection.serial: int 7 does not fit here"),
        ({"scans": [{}]}, r"inspection.scans\[0\]: field 'name' is missing"),
        ({"results": None}, "inspection.results"),
    ],
)
def test_bad_files_are_refused_naming_the_field(change, message):
    with pytest.raises(InputError, match=message):
        inspection_from_json(to_json(make_inspection("1")) | change, "a.json")


def test_fields_added_later_with_a_default_may_be_missing():
    data = to_json(make_inspection("1"))
    del data["picture"], data["results"][0]["where"]
    again = inspection_from_json(data)
    assert again.picture == "" and again.results[0].where == ""


def test_other_records_round_trip():
    origin = make_inspection("1").results[0].origin
    assert from_json(type(origin), to_json(origin)) == origin


def test_schema_is_valid_and_accepts_what_is_written():
    schema = inspection_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    check = jsonschema.Draft202012Validator(schema)
    for inspection in small_lot():
        check.validate(to_json(inspection))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.update(format=2),
        lambda d: d.update(extra=1),
        lambda d: d["results"][0].update(verdict="good"),
        lambda d: d["results"][0].update(value="12.0"),
        lambda d: d["scans"][0].update(points=1.5),
        lambda d: d["features"][0]["parameters"].update(point=[1.0, 2.0]),
        lambda d: d.pop("serial"),
    ],
)
def test_schema_refuses_what_is_wrong(spoil):
    data = to_json(make_inspection("1"))
    spoil(data)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(inspection_schema()).validate(data)
