"""When documents are written: never more than a tenth of the time, never far behind, soon when idle."""

from hypothesis import given, settings
from hypothesis import strategies as st

from runner.intake.debounce import AGAIN_S, LONGEST_S, Debounce


def busy(cost_of, seconds, *, every=1.0, parts=1):
    """Scans keep coming; returns seconds spent, and the oldest a document ever got."""
    rule, now, spent, oldest, count = Debounce(), 0.0, 0.0, 0.0, 0
    since = {}
    while now < seconds:
        now += every
        count += 1
        name = f"p{count % parts}"
        rule.touched(name, now)
        since.setdefault(name, now)
        for due in rule.due(now):
            cost = cost_of(count)
            oldest = max(oldest, now + cost - since.pop(due, now))
            rule.wrote(due, now, now + cost, done=True)
            now += cost
            spent += cost
    return spent / now, oldest


def test_the_share_of_time_stays_small_however_dear_a_document_gets():
    for cost in (0.2, 2.0, 40.0, 200.0):
        share, oldest = busy(lambda count, cost=cost: cost, 150 * cost + 400)
        assert share <= 0.11, (cost, share)
        assert oldest <= 11.5 * cost + 5, "and it is not later than that share asks for"


def test_several_documents_share_it():
    for parts in (2, 5):
        share, _ = busy(lambda count: 10.0, 6_000, parts=parts)
        assert share <= 0.125, (parts, share)


def test_time_per_row_does_not_grow_with_the_rows():
    """A cost that grows with every row: writing at each row would make the sum quadratic."""
    spent = []
    for rows in (2_000, 4_000, 8_000):
        share, _ = busy(lambda count: 0.01 * count, rows)
        spent.append(share)
    assert max(spent) <= 0.105 and spent[-1] <= 1.1 * spent[0]


def test_bounded_age():
    _, oldest = busy(lambda count: 1_000.0, 10_000)
    assert oldest <= LONGEST_S + 2_010


def test_when_idle_it_waits_only_for_quiet():
    rule = Debounce()
    rule.touched("p", 0.0)
    rule.wrote("p", 2.0, 42.0, done=True)
    rule.touched("p", 50.0)
    assert rule.due(60.0) == () and rule.due(60.0, idle=True) == (), "more may come"
    assert rule.due(90.0, idle=True) == ("p",) and rule.due(90.0) == ()


def test_a_change_during_the_writing_stays_open():
    rule = Debounce()
    rule.touched("p", 0.0)
    rule.touched("p", 3.0)
    rule.wrote("p", 2.0, 4.0, done=True)
    assert rule.pending() == ("p",)
    rule.wrote("p", 5.0, 6.0, done=True)
    assert rule.pending() == () and rule.due(1e9) == ()


def test_a_failed_writing_is_tried_again_but_not_at_once():
    rule = Debounce()
    rule.touched("p", 0.0)
    rule.wrote("p", 2.0, 3.0, done=False)
    assert rule.due(3.0 + AGAIN_S - 0.1, idle=True) == () and rule.due(3.0 + AGAIN_S) == ("p",)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.sampled_from("abc"), st.floats(0.01, 30), st.floats(0, 60), st.booleans()), max_size=60))
def test_nothing_touched_is_ever_forgotten(steps):
    rule, now, open_ones = Debounce(), 0.0, set()
    for name, wait, cost, done in steps:
        now += wait
        rule.touched(name, now)
        open_ones.add(name)
        for due in rule.due(now):
            rule.wrote(due, now, now + cost, done=done)
            now += cost
            if done:
                open_ones.discard(due)
        assert set(rule.pending()) == open_ones
    assert set(rule.due(now + LONGEST_S + 100)) == open_ones
