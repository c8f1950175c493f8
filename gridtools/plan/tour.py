"""An order for visits that can each be made in several ways, to be short on foot."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Whole = NDArray[np.int64]

#: A change must save at least this much, so that rounding never keeps the search going.
_GAIN_M = 1e-6
#: Changes measured for each place, the most promising as the crow flies first.
_LOOKS = 5
_MOST_SWEEPS = 40
#: With more visits than this, one start is improved instead of one for each way.
_MANY_VISITS = 150


@dataclass(frozen=True, kw_only=True, eq=False)
class Visits:
    """Things to visit, each in one of an even number of ways.

    Attributes
    ----------
    corner
        Where each way begins (m, ways, 2). The second half of the ways are those of the first,
        backwards: way w ends where way w + ways / 2 begins, counted round.
    inside_m
        Length (m, ways) of each.
    """

    corner: Real
    inside_m: Real


def shortest_tour(visits: Visits, distance: Callable[[Real, Real], Real]) -> tuple[Whole, Whole]:
    """Order of the visits and the way of each, with little walking in between.

    The nearest visit comes next, and then the order is improved: stretches of it are reversed
    (2-opt; Croes, *A method for solving traveling-salesman problems*, 1958, from memory), up to
    three visits are moved elsewhere (Or-opt; Or, 1976, from memory), and the ways are chosen
    anew for the order as it stands (the best choice, found from end to end), until nothing helps.

    Parameters
    ----------
    visits
        What to visit.
    distance
        Length of walks (n, 2) to (n, 2), never less than the straight line.

    Returns
    -------
    order, way
        Visits (m,) in order, and the way (m,) in which each is made.

    Examples
    --------
    >>> corner = np.array([[[0, 0], [0, 9]], [[2, 0], [2, 9]], [[1, 0], [1, 9]]], dtype=float)
    >>> order, way = shortest_tour(
    ...     Visits(corner=corner, inside_m=np.full((3, 2), 9.0)),
    ...     lambda a, b: np.hypot(*(b - a).T))
    >>> order.tolist(), way.tolist()
    ([0, 2, 1], [0, 1, 0])
    """
    count, ways = visits.inside_m.shape
    tour = _Tour(visits, distance)
    best_length = np.inf
    for way in range(ways if 1 < count <= _MANY_VISITS else 1):
        tour.start(way)
        for _ in range(_MOST_SWEEPS):
            # All three are tried in each sweep, hence no short circuit.
            if not (tour.choose_ways() | tour.reverse_stretches() | tour.move_visits()):
                break
        length = tour.length()
        if length < best_length - _GAIN_M:
            best_length, best = length, (tour.order.copy(), tour.way.copy())
    return best


class _Tour:
    """An order under improvement. Corners are numbered visit by visit, way by way."""

    def __init__(self, visits: Visits, distance: Callable[[Real, Real], Real]) -> None:
        self._inside = visits.inside_m
        self._count, self._ways = visits.inside_m.shape
        self._xy = visits.corner.reshape(-1, 2)
        self._measure = distance
        self._known: dict[int, float] = {}
        self._set(np.arange(self._count), np.zeros(self._count, dtype=np.int64))

    def _back(self, way: Whole) -> Whole:
        return np.asarray((way + self._ways // 2) % self._ways)

    def _set(self, order: Whole, way: Whole) -> None:
        self.order, self.way = order, way
        self._begin = order * self._ways + way
        self._end = order * self._ways + self._back(way)
        # Walks before each visit and after the last; the outer two are free.
        self._gaps = self._walk(np.append(-1, self._end), np.append(self._begin, -1))

    def _crow(self, a: Whole, b: Whole) -> Real:
        """Straight distance between corners; a corner of -1 is nowhere, and free to reach."""
        gap = self._xy[a] - self._xy[b]
        return np.where((a < 0) | (b < 0), 0.0, np.hypot(gap[..., 0], gap[..., 1]))

    def _walk(self, a: Whole, b: Whole) -> Real:
        """Walking distance between corners (n,), remembered."""
        keys = (np.minimum(a, b) * len(self._xy) + np.maximum(a, b)).tolist()
        free = (a < 0) | (b < 0)
        new = [i for i, key in enumerate(keys) if key not in self._known and not free[i]]
        if new:
            lengths = self._measure(self._xy[a[new]], self._xy[b[new]]).tolist()
            self._known.update((keys[i], d) for i, d in zip(new, lengths, strict=True))
        return np.array([0.0 if f else self._known[k] for k, f in zip(keys, free, strict=True)])

    def length(self) -> float:
        """Length of all visits and of the walks between them."""
        return float(self._gaps.sum() + self._inside[self.order, self.way].sum())

    def start(self, way: int) -> None:
        """Begin with visit 0 in a given way, and always go on to the nearest."""
        left = np.ones(self._count, dtype=bool)
        order, ways = [0], [way]
        corners = np.arange(len(self._xy))
        for _ in range(self._count - 1):
            left[order[-1]] = False
            here = order[-1] * self._ways + self._back(np.array(ways[-1]))
            open_corners = corners[np.repeat(left, self._ways)]
            crow = self._crow(np.broadcast_to(here, open_corners.shape), open_corners)
            near = open_corners[np.argsort(crow, kind="stable")[: 2 * _LOOKS]]
            walk = self._walk(np.broadcast_to(here, near.shape), near)
            visit, chosen = divmod(int(near[np.argmin(walk)]), self._ways)
            order.append(visit)
            ways.append(chosen)
        self._set(np.array(order), np.array(ways))

    def choose_ways(self) -> bool:
        """Best way of each visit for the order as it stands; whether that saved anything."""
        before = self.length()
        ways = np.arange(self._ways)
        begin = self.order[:, None] * self._ways + ways
        end = self.order[:, None] * self._ways + self._back(ways)
        shape = (self._count - 1, self._ways, self._ways)
        walk = self._walk(
            np.broadcast_to(end[:-1, :, None], shape).ravel(),
            np.broadcast_to(begin[1:, None, :], shape).ravel(),
        ).reshape(shape)
        total = self._inside[self.order[0]]
        came: list[Whole] = []
        for step, visit in zip(walk, self.order[1:], strict=True):
            reach = total[:, None] + step
            came.append(np.argmin(reach, axis=0))
            total = reach.min(axis=0) + self._inside[visit]
        if total.min() > before - _GAIN_M:
            return False
        chosen = [int(np.argmin(total))]
        for back in reversed(came):
            chosen.append(int(back[chosen[-1]]))
        self._set(self.order, np.array(chosen[::-1]))
        return True

    def reverse_stretches(self) -> bool:
        """Reverse stretches of the order wherever that saves walking."""
        changed = False
        for i in range(self._count):
            begin, end, gaps = self._begin, self._end, self._gaps
            before = np.full(self._count - i, end[i - 1] if i else -1)
            after = np.append(begin[i + 1 :], -1)
            first = np.full(self._count - i, begin[i])
            old = gaps[i] + gaps[i + 1 :]
            hope = old - self._crow(before, end[i:]) - self._crow(first, after)
            look = _promising(hope)
            if not look.size:
                continue
            gain = old[look] - self._walk(before[look], end[i:][look])
            gain -= self._walk(first[look], after[look])
            if gain.max() > _GAIN_M:
                j = i + int(look[np.argmax(gain)]) + 1
                order, way = self.order.copy(), self.way.copy()
                order[i:j] = order[i:j][::-1].copy()
                way[i:j] = self._back(way[i:j][::-1])
                self._set(order, way)
                changed = True
        return changed

    def move_visits(self) -> bool:
        """Move one to three visits elsewhere wherever that saves walking."""
        changed = False
        for size in (1, 2, 3):
            for i in range(self._count - size):
                changed |= self._move(i, i + size)
        return changed

    def _move(self, i: int, j: int) -> bool:
        """Take visits i to j out, and put them back where and how it is best."""
        begin, end, gaps = self._begin, self._end, self._gaps
        before, after = (end[i - 1] if i else -1), (begin[j] if j < self._count else -1)
        inside = self._inside[self.order[i], self.way[i]] if j - i == 1 else 0.0
        saved = gaps[i] + gaps[j] - self._walk(np.array([before]), np.array([after]))[0]
        if saved < _GAIN_M and j - i > 1:
            return False
        rest = np.r_[0:i, j : self._count]
        left, right = np.append(-1, end[rest]), np.append(begin[rest], -1)
        kept = np.delete(gaps, np.arange(i, j + 1))
        kept = np.insert(kept, i, gaps[i] + gaps[j] - saved)
        if j - i == 1:
            ways = np.arange(self._ways)
            enter = self.order[i] * self._ways + ways
            leave = self.order[i] * self._ways + self._back(ways)
            extra = self._inside[self.order[i]] - inside
        else:
            enter, leave = np.array([begin[i], end[j - 1]]), np.array([end[j - 1], begin[i]])
            extra = np.zeros(2)
        shape = (len(left), len(enter))
        spread = [np.broadcast_to(a, shape).ravel() for a in (left[:, None], enter, leave)]
        onward = np.broadcast_to(right[:, None], shape).ravel()
        old = (saved + kept[:, None] - extra).ravel()
        look = _promising(old - self._crow(spread[0], spread[1]) - self._crow(spread[2], onward))
        if not look.size:
            return False
        gain = old[look] - self._walk(spread[0][look], spread[1][look])
        gain -= self._walk(spread[2][look], onward[look])
        if gain.max() <= _GAIN_M:
            return False
        place, way = divmod(int(look[np.argmax(gain)]), len(enter))
        block, ways_of = self.order[i:j], self.way[i:j]
        if j - i == 1:
            ways_of = np.array([way])
        elif way == 1:
            block, ways_of = block[::-1], self._back(ways_of[::-1])
        self._set(
            np.insert(self.order[rest], place, block), np.insert(self.way[rest], place, ways_of)
        )
        return True


def _promising(hope: Real) -> Whole:
    """Places of the few greatest hopes of a gain, best first."""
    some = np.flatnonzero(hope > _GAIN_M)
    if some.size > _LOOKS:
        some = some[np.argsort(-hope[some], kind="stable")[:_LOOKS]]
    return some
