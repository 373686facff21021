"""The demo's comparison can fail: it must see a wrong outcome, a wrong value and a missing piece."""

from dataclasses import replace

from runner.cli.demo_truth import compare
from runner.records import Outcome, PoseRecord, PoseStatus, Result, Verdict
from runner.rehearse.demo import demo_truth
from runner.rehearse.demo_pieces import PIECES
from tests.report.samples import make_inspection


def as_made(serial: str):
    """An inspection that says exactly what the piece was made like."""
    piece = next(p for p in PIECES if p.serial == serial)
    results = []
    for name, true in demo_truth()[serial].items():
        results.append(
            Result(
                id=name,
                kind="size",
                title="",
                features=(),
                unit="mm",
                decimals=3,
                nominal=None,
                lower=None,
                upper=None,
                limits_text="",
                value=true.value,
                deviation=None,
                verdict=true.verdict or Verdict.INFORMATION,
            )
        )
    pose = PoseRecord("0" * 64, PoseStatus.ALIGNED, "best fit", None)
    return replace(make_inspection(serial), serial=serial, outcome=piece.outcome, results=tuple(results), poses=(pose,))


def check_of(inspection):
    return next(c for c in compare([inspection]) if c.serial == inspection.serial)


def test_the_truth_itself_is_met() -> None:
    assert check_of(as_made("H0003")).met


def test_a_wrong_value_outcome_or_verdict_is_seen() -> None:
    good = as_made("H0003")
    first = next(r for r in good.results if r.id == "5")
    shifted = replace(first, value=first.value + 0.006)
    assert not check_of(replace(good, results=tuple(shifted if r is first else r for r in good.results))).met
    assert not check_of(replace(good, outcome=Outcome.ACCEPT)).met
    passed = tuple(replace(r, verdict=Verdict.CONFORMS) if r.id == "2" else r for r in good.results)
    assert not check_of(replace(good, results=passed)).met


def test_a_missing_piece_is_seen() -> None:
    assert not any(c.met for c in compare([]))
