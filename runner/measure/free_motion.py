"""Movements that datums leave free or allow, taken where the zones need least.

One engine for every zone that is optimised: patterns whose zones hold together, simultaneous requirements, lower
segments of composite tolerances, profiles without datums, and frames that shift about a datum at maximum material.

How to use it::

    def uses(frame):                                # (4, 4) drawing_from_fit to be tried
        return [Uses(values, rows, limit), ...]     # or a reason, a str, when nothing can be judged there

    got = best_movement(uses, system.drawing_from_fit, system.movable, system.centre, system.allowances)

``got.frame`` then is the frame in which every value is to be reported. Without datums: start at the identity with
``np.eye(6)`` as ``movable`` and the middle of the nominal as centre.

The problem: least t with |values_i| <= limit_i + t weight_i for all places i, over movements in the span of
``movable`` that leave no allowance violated. Places are linear in small movements, their lengths convex: solved by
linear programmes with cutting planes (J. E. Kelley, J. SIAM 8 (1960) 703), each round on values computed again at the
frame reached, so that the end is exact for finite movements.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats
from runner.measure.shift import Allowance
from runner.measure.twists import as_rigid

ROUNDS = 40
CUT_ROUNDS = 60
CUTS = 24
"""Places that join a programme at once."""
LARGEST_STEP = 0.5
"""mm that a round may move any place."""
SETTLED = 1e-10
"""mm (of weighted excess): a round that gains less is the last."""
CROSSED = 1e-8
"""mm by which rounding may let a point cross a boundary."""
EXACT: Any = {"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10, "presolve": False}
STAY = 1e-7
"""Price of moving at all, over the gain: of equally good movements the least is taken."""


@dataclass(frozen=True, eq=False)
class Uses:
    """Deviations of one characteristic (or of one of its features) at one frame, with what the zone allows."""

    values: Floats
    """(n,) signed or (n, m) vectors, mm: their length is judged. Profile: distance less the shift of the zone's middle.
    Position: the vector from the true place, only its components in the zone's plane."""
    rows: Floats
    """(n, 6) or (n, m, 6): growth of the values per twist of the part about the centre
    (``twists.rows_of_points(points, directions, centre)``, at the frame given)."""
    limit: Floats | float
    """(n,) or one number, mm: half the width or diameter of the zone, the bonus included. Not negative."""
    weight: Floats | float | None = None
    """(n,) or one number: what an excess is divided by. None: the limit, so that shares of the zones are balanced;
    1 where a limit is zero."""
    floats: bool = False
    """Signed values (n,) of a zone that may shift along by itself, as an orientation zone does: half of their range is
    judged."""


@dataclass(frozen=True, eq=False)
class Movement:
    """The frame in which the zones need least."""

    frame: Floats
    """(4, 4) drawing_from_fit."""
    moved: Floats
    """(4, 4) ``frame`` less the start: movement of the part in the drawing's frame."""
    excess: float
    """Largest (|value| - limit) / weight; 0 and less: all zones hold."""
    start_excess: float
    rounds: int
    settled: bool
    """False when the rounds ran out before the gain did."""
    room: tuple[tuple[str, float], ...] = ()
    """Clearance that each datum at maximum material has left, mm."""


def best_movement(
    uses: Callable[[Floats], Sequence[Uses] | str],
    start: Floats,
    movable: Floats,
    centre: Floats,
    allowances: Sequence[Allowance] = (),
    *,
    rounds: int = ROUNDS,
    largest_step: float = LARGEST_STEP,
    least_gain: float = SETTLED,
) -> Movement | str:
    """Return the movement with the least largest use of the zones, or the reason why there is none.

    Parameters
    ----------
    uses : deviations at a frame (4, 4), computed anew.
    start : (4, 4) frame to begin at.
    movable : (6, k) twists about ``centre`` that may be taken: free ones and those that allowances bound.
    centre : (3,) mm, drawing frame.
    allowances : boundaries that datum features must keep clear of.
    rounds : most programmes.
    largest_step : mm that one round may move any place; smaller where far movements change which surface is judged.
    least_gain : mm of weighted excess; a round that gains less is the last.
    """
    first = _gathered(uses(start))
    if isinstance(first, str):
        return first
    move = np.eye(4)
    now, here = first, _crossing(allowances, move)
    if not movable.shape[1]:
        return _made(start, move, now, first, allowances, 0, settled=True)
    limit = largest_step
    count, settled = 0, False
    while count < rounds and not settled:
        count += 1
        step = _programme(now, movable, centre, allowances, move, limit)
        if step is None:
            break
        tried_move = as_rigid(movable @ step, centre) @ move
        tried = _gathered(uses(tried_move @ start))
        if isinstance(tried, str):
            limit /= 4.0
            settled = limit < 1e-6
            continue
        crossing = _crossing(allowances, tried_move)
        mended = crossing < here - CROSSED
        gain = now.excess - tried.excess
        if mended or (gain > 0.0 and crossing <= max(here, CROSSED)):
            move, now, here = tried_move, tried, crossing
            settled = not mended and gain * now.scale < least_gain
        else:
            limit /= 4.0
            settled = limit < 1e-7 or abs(gain) * now.scale < least_gain
    return _made(start, move, now, first, allowances, count, settled=settled)


@dataclass(frozen=True, eq=False)
class _Gathered:
    """All places of all characteristics, values padded to as many components as the longest has."""

    values: Floats
    rows: Floats
    limit: Floats
    weight: Floats
    own: Floats
    """(n, q) 1 where a place belongs to a zone that shifts by itself, a column each."""
    excess: float
    scale: float
    """mm per unit of excess."""


def _gathered(uses: Sequence[Uses] | str) -> _Gathered | str:
    if isinstance(uses, str):
        return uses
    if not uses or not sum(len(u.values) for u in uses):
        return "nothing to be judged"
    values, rows, limits, weights, owns = [], [], [], [], []
    floating = [k for k, use in enumerate(uses) if use.floats]
    most = max(1 if np.ndim(use.values) == 1 else np.shape(use.values)[1] for use in uses)
    for k, use in enumerate(uses):
        value = np.asarray(use.values, dtype=np.float64)
        row = np.asarray(use.rows, dtype=np.float64)
        owns.append(np.tile([float(k == j) for j in floating], (len(value), 1)))
        if use.floats and len(value):
            value = value - 0.5 * (value.max() + value.min())
        if value.ndim == 1:
            value, row = value[:, None], row[:, None, :]
        lack = most - value.shape[1]
        values.append(np.pad(value, ((0, 0), (0, lack))))
        rows.append(np.pad(row, ((0, 0), (0, lack), (0, 0))))
        limit = np.broadcast_to(np.asarray(use.limit, dtype=np.float64), (len(value),))
        chosen = limit if use.weight is None else np.asarray(use.weight, dtype=np.float64)
        limits.append(limit)
        weights.append(np.broadcast_to(chosen, (len(value),)))
    limit, weight = np.concatenate(limits), np.concatenate(weights)
    if not weight.min() > 1e-9:
        weight = np.ones(len(weight))
    value, row = np.concatenate(values), np.concatenate(rows)
    if not (np.isfinite(value).all() and np.isfinite(row).all() and np.isfinite(limit).all()):
        return "a deviation is not a finite number"
    excess = (np.linalg.norm(value, axis=1) - limit) / weight
    worst = int(np.argmax(excess))
    return _Gathered(value, row, limit, weight, np.vstack(owns), float(excess[worst]), float(weight[worst]))


def _crossing(allowances: Sequence[Allowance], move: Floats) -> float:
    """Depth, mm, by which the worst point has crossed its boundary; 0 when none has."""
    return max([0.0, *(-a.least(move) for a in allowances)])


def _programme(
    now: _Gathered, movable: Floats, centre: Floats, allowances: Sequence[Allowance], move: Floats, limit: float
) -> Floats | None:
    """Step (k,) along the movements that is best for the values as if they were linear; None when there is none."""
    from scipy.optimize import linprog

    slopes = now.rows @ movable
    size = np.maximum(np.sqrt(np.einsum("ijk,ijk->ik", slopes, slopes)).max(axis=0), 1e-12)
    # a movement that no place feels is not taken, unless an allowance makes room by it
    rooms = [a.room(move) for a in allowances]
    ways = [a.rows(move, centre) @ movable for a in allowances]
    for way in ways:
        if len(way):
            size = np.maximum(size, np.abs(way).max(axis=0))
    slopes = slopes / size
    # zones that shift by themselves: along the first component, felt by no boundary
    own = np.zeros((len(slopes), slopes.shape[1], now.own.shape[1]))
    own[:, 0] = now.own
    slopes = np.concatenate([slopes, own], axis=2)
    size = np.concatenate([size, np.ones(now.own.shape[1])])
    unit = max(now.scale * abs(now.excess), float(np.linalg.norm(now.values, axis=1).max()), 1e-9)
    room = np.concatenate(rooms) / unit if rooms else np.zeros(0)
    k = len(size)
    way = np.zeros((len(room), k))
    if ways:
        way[:, : movable.shape[1]] = np.vstack(ways) / size[: movable.shape[1]]
    values, zone, weight = now.values / unit, now.limit / unit, now.weight / now.scale
    bound = limit / unit
    bounds: list[tuple[float | None, float | None]] = [(0.0, bound)] * (2 * k) + [(None, None)]
    cost = np.concatenate([np.full(2 * k, STAY), [1.0]])
    far = np.linalg.norm(values, axis=1)
    score = (far - zone) / weight
    spread = np.linspace(0, len(values) - 1, min(len(values), 4 * CUTS)).astype(np.int64)
    chosen = np.unique(np.concatenate([_most(score, CUTS), spread]))
    cut_place = np.concatenate([chosen, chosen])
    first = np.eye(values.shape[1])[0]
    one = np.where(far[chosen, None] > 1e-12, values[chosen] / np.maximum(far[chosen, None], 1e-12), first)
    cut_way = np.concatenate([one, -one])
    kept = _most(-room, CUTS) if len(room) else np.zeros(0, dtype=np.int64)
    step = np.zeros(k)
    for _ in range(CUT_ROUNDS):
        table = np.einsum("ij,ijk->ik", cut_way, slopes[cut_place])
        right = zone[cut_place] - np.einsum("ij,ij->i", cut_way, values[cut_place])
        block = [np.hstack([table, -table, -weight[cut_place][:, None]])]
        side = [right]
        if len(kept):
            # what lies across already is brought back, as far as a step can
            block.append(np.hstack([-way[kept], way[kept], np.zeros((len(kept), 1))]))
            side.append(room[kept])
        found = linprog(
            cost, A_ub=np.vstack(block), b_ub=np.concatenate(side), bounds=bounds, method="highs", options=EXACT
        )
        if not found.success:
            return None
        answer = np.asarray(found.x)
        step, least = answer[:k] - answer[k : 2 * k], float(answer[-1])
        after = values + slopes @ step
        length = np.linalg.norm(after, axis=1)
        over = (length - zone) / weight - least
        crossed = -(room + way @ step)
        worse, worse_room = over > 1e-10, crossed > 1e-10
        if not worse.any() and not worse_room.any():
            break
        added = _most(over, CUTS)
        added = added[worse[added]]
        cut_place = np.concatenate([cut_place, added])
        cut_way = np.concatenate([cut_way, after[added] / np.maximum(length[added, None], 1e-12)])
        if len(room):
            more = _most(crossed, CUTS)
            kept = np.unique(np.concatenate([kept, more[worse_room[more]]]))
    return np.asarray((step * unit / size)[: movable.shape[1]])


def _most(values: Floats, count: int) -> NDArray[np.int64]:
    """Rows of the highest values."""
    few = min(count, len(values))
    if not few:
        return np.zeros(0, dtype=np.int64)
    return np.asarray(np.argpartition(-values, few - 1)[:few], dtype=np.int64)


def _made(
    start: Floats,
    move: Floats,
    now: _Gathered,
    first: _Gathered,
    allowances: Sequence[Allowance],
    rounds: int,
    *,
    settled: bool,
) -> Movement:
    left: dict[str, float] = {}
    for a in allowances:
        left[a.label] = min(left.get(a.label, np.inf), a.least(move))
    return Movement(
        frame=move @ start,
        moved=move,
        excess=now.excess,
        start_excess=first.excess,
        rounds=rounds,
        settled=settled,
        room=tuple((label, float(value)) for label, value in left.items()),
    )
