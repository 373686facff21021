"""The inspection file and its schema."""

import json

import jsonschema
import pytest

from runner.diagnostics import InputError
from runner.records_io import inspection_schema
from runner.report.json_report import read_json, stored_schema, write_json
from tests.report.samples import make_inspection, small_lot


def test_published_schema_is_what_the_records_give():
    """When the records change: bump the format if old readers break, then write the file anew from the function."""
    assert stored_schema() == inspection_schema()


@pytest.mark.parametrize("inspection", small_lot(), ids=lambda i: i.serial)
def test_written_file_is_valid_and_reads_back(inspection, tmp_path):
    path = tmp_path / "a.json"
    assert write_json(path, inspection).complete
    jsonschema.Draft202012Validator(stored_schema()).validate(json.loads(path.read_text()))
    assert read_json(path) == inspection


@pytest.mark.parametrize(
    ("content", "message"), [(b"{", "not readable as JSON"), (b"\xff", "JSON"), (b"[]", "inspection")]
)
def test_bad_files_are_refused(tmp_path, content, message):
    path = tmp_path / "a.json"
    path.write_bytes(content)
    with pytest.raises(InputError, match=message):
        read_json(path)


def test_hostile_text_stays_data(tmp_path):
    inspection = make_inspection('</script>"\\\x00\u202e')
    write_json(tmp_path / "a.json", inspection)
    assert (tmp_path / "a.json").read_bytes().isascii()
    assert read_json(tmp_path / "a.json").serial == inspection.serial
