"""The study of many serials runs, and its rows cost the same however many there are."""

from tests.studies.serials import main, one, upkeep_seconds


def test_a_small_run_gives_every_figure(capsys):
    rows = main(["--serials", "40", "--steps", "2", "--characteristics", "5"])
    assert [row["rows"] for row in rows] == [20, 40]
    assert all(
        row[name] > 0 for row in rows for name in ("record", "wall", "board", "look", "workbook", "read", "peak")
    )
    assert "ledger ms/row" in capsys.readouterr().out
    assert one(3, 5) == one(3, 5) and one(3, 5).id != one(4, 5).id


def test_the_time_spent_per_row_stays_flat_where_writing_at_each_row_would_not():
    rows = list(range(500, 5001, 500))
    costs = [0.008 * n for n in rows]  # a workbook's cost grows with its rows
    spent = upkeep_seconds(rows, costs, 1.0, 5000)
    per_row = [seconds / count for seconds, count in zip(spent, rows, strict=True)]
    assert max(per_row) <= 0.11 and min(per_row) >= 0.07, per_row
    assert sum(0.008 * n for n in range(1, 5001)) > 100 * spent[-1]
