"""Records to rows and columns."""

import math
import statistics
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.records import Outcome, Piece, Verdict
from runner.report.tables import column_statistics, part_table, shown_decimals
from tests.report.gold import assert_gold
from tests.report.samples import as_attempt, as_pieces, make_inspection, size_result, small_lot


def scrubbed(table):
    """What a reader sees of a table, without times and hashes."""
    return {
        "part": [table.part_number, table.part_name, list(table.revisions)],
        "outcomes": {outcome.value: count for outcome, count in sorted(table.outcomes.items())},
        "columns": [
            [c.heading, c.kind, c.title, c.limits_text, c.unit, c.decimals, c.nominal, c.lower, c.upper]
            for c in table.columns
        ],
        "rows": [
            {
                "serial": row.attempt.inspection.serial,
                "outcome": row.attempt.inspection.outcome.value,
                "failed": list(row.failed),
                "open": list(row.open),
                "results": [[r.value, r.verdict.value] if r else None for r in row.results],
            }
            for row in table.rows
        ],
        "statistics": [
            [s.n, *(None if v is None else round(v, 9) for v in (s.mean, s.std, s.low, s.high)), dict(s.verdicts)]
            for s in table.statistics
        ],
    }


def test_rows_of_a_small_lot():
    assert_gold("part_table", scrubbed(part_table(as_pieces(small_lot()))))


def test_an_empty_part_has_an_empty_table():
    table = part_table(())
    assert table.rows == () and table.columns == ()


def test_only_the_standing_attempt_makes_a_row_and_all_are_listed():
    bad, good = make_inspection("1", diameter=12.3, minute=1), make_inspection("1", minute=2)
    piece = Piece("PB-220", "1", "L-31", (as_attempt(bad, 1), as_attempt(good, 2, number=2, standing=False)))
    table = part_table([piece])
    assert [r.attempt.inspection.outcome for r in table.rows] == [Outcome.REJECT]
    assert [a.sequence for a in table.attempts] == [1, 2]


def test_a_piece_whose_attempts_are_all_void_has_no_row():
    void = replace(as_attempt(make_inspection("1"), 1, standing=False), void="wrong piece (p)")
    table = part_table([Piece("PB-220", "1", "L-31", (void,))])
    assert table.rows == () and len(table.attempts) == 1 and table.part_name == "pump bracket"


def test_values_never_stand_under_limits_that_they_were_not_judged_by():
    old = make_inspection("1", minute=1)
    wider = replace(size_result(12.15), upper=12.2, limits_text="12 +0.20/0")
    new = replace(make_inspection("2", minute=2), results=(wider,))
    table = part_table(as_pieces([old, new]))
    first, second = table.columns[0], table.columns[1]
    assert (first.heading, first.upper) == ("1", 12.2), "the newest requirement comes first"
    assert (second.heading, second.upper) == ("1 (requirement 2)", 12.1)
    by_serial = {row.attempt.inspection.serial: row.results for row in table.rows}
    assert by_serial["1"][0] is None and by_serial["1"][1].value == 12.052
    assert by_serial["2"][0].value == 12.15 and by_serial["2"][1] is None


def test_two_part_numbers_are_refused():
    other = replace(make_inspection("1"), part_number="PB-221")
    with pytest.raises(ValueError, match="PB-220, PB-221"):
        part_table(as_pieces([make_inspection("1"), other]))


@settings(max_examples=80, deadline=None)
@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=40))
def test_statistics_agree_with_the_standard_library(values):
    found = column_statistics([replace(size_result(12.0), value=v) for v in values])
    assert found.n == len(values) and found.low == min(values) and found.high == max(values)
    assert found.mean == pytest.approx(statistics.fmean(values), rel=1e-12, abs=1e-9)
    assert found.std == pytest.approx(statistics.stdev(values), rel=1e-9, abs=1e-9)


def test_statistics_count_only_what_was_measured():
    found = column_statistics([size_result(12.05), size_result(None), None, size_result(12.3)])
    assert found.n == 2 and found.mean == pytest.approx(12.175)
    assert found.verdicts == {Verdict.CONFORMS: 1, Verdict.DOES_NOT_CONFORM: 1, Verdict.NOT_MEASURED: 1}
    alone = column_statistics([size_result(12.05)])
    assert alone.std is None and alone.mean == 12.05
    assert column_statistics([]).mean is None


@pytest.mark.parametrize(
    ("value", "decimals", "lower", "upper", "shown"),
    [
        (12.1001, 3, 12.0, 12.1, "12.1001"),
        (12.0996, 3, 12.0, 12.1, "12.0996"),
        (12.1, 3, 12.0, 12.1, "12.100"),
        (12.05, 3, 12.0, 12.1, "12.050"),
        (11.99996, 2, 12.0, None, "11.99996"),
        (0.4, 1, None, None, "0.4"),
    ],
)
def test_rounding_never_moves_a_value_across_its_limit(value, decimals, lower, upper, shown):
    assert f"{value:.{shown_decimals(value, decimals, lower, upper)}f}" == shown


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.integers(0, 4))
def test_shown_value_stays_on_its_side(value, limit, decimals):
    count = shown_decimals(value, decimals, None, limit)
    assert decimals <= count <= decimals + 4
    if count < decimals + 4:
        assert math.copysign(1, round(value, count) - limit) == math.copysign(1, value - limit) or value == limit
