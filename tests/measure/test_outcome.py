import pytest

from runner.measure.outcome import decide_outcome
from runner.records import Outcome, PoseRecord, PoseStatus, Result, Verdict


def result(verdict, id="1", reason="", kind="size", features=("bore",)):
    return Result(id, kind, "t", features, "mm", 3, None, None, None, "", None, None, verdict, reason)


def pose(status=PoseStatus.ALIGNED, reason="", advice=""):
    return PoseRecord("0" * 64, status, "automatic", None, reason, advice)


@pytest.mark.parametrize(
    ("verdicts", "outcome"),
    [
        ([Verdict.CONFORMS], Outcome.ACCEPT),
        ([Verdict.CONFORMS, Verdict.INFORMATION], Outcome.ACCEPT),
        ([Verdict.CONFORMS, Verdict.UNDECIDED], Outcome.HOLD),
        ([Verdict.CONFORMS, Verdict.NOT_MEASURED], Outcome.HOLD),
        ([Verdict.NOT_MEASURED, Verdict.DOES_NOT_CONFORM], Outcome.REJECT),
        ([Verdict.UNDECIDED, Verdict.DOES_NOT_CONFORM, Verdict.CONFORMS], Outcome.REJECT),
        ([Verdict.INFORMATION], Outcome.HOLD),
        ([], Outcome.HOLD),
    ],
)
def test_outcome_of_verdicts(verdicts, outcome):
    assert decide_outcome([result(v, str(i)) for i, v in enumerate(verdicts)], [pose()])[0] is outcome


@pytest.mark.parametrize("status", [PoseStatus.AMBIGUOUS, PoseStatus.NOT_ALIGNED])
def test_an_unproven_pose_holds_even_a_nonconforming_part(status):
    found, reason, advice = decide_outcome([result(Verdict.DOES_NOT_CONFORM)], [pose(), pose(status, "why", "do this")])
    assert (found, advice) == (Outcome.HOLD, "do this")
    assert "why" in reason


def test_no_scan_at_all_is_held():
    assert decide_outcome([result(Verdict.CONFORMS)], [])[0] is Outcome.HOLD


def test_the_reason_names_the_characteristics_and_the_advice_what_to_do():
    results = [
        result(Verdict.NOT_MEASURED, "5", "only 10 % of it was seen", features=("slot",)),
        result(Verdict.NOT_MEASURED, "6", "to be entered", kind="other gauge", features=()),
    ]
    _, reason, advice = decide_outcome(results, [pose()])
    assert "5 not measured (only 10 % of it was seen)" in reason
    assert "slot" in advice and "6" in advice


def test_many_reasons_are_shortened():
    reason = decide_outcome([result(Verdict.UNDECIDED, str(i)) for i in range(9)], [pose()])[1]
    assert reason.endswith("and 5 more")
