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
#: Neighbours of each corner whose distances are measured beforehand, all at once.
_NEIGHBOURS = 16
#: Most visits moved together.
_BLOCK = 3
#: With more visits than this, one start is improved instead of one for each way.
_MANY_VISITS = 40


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


def shortest_tour(
    visits: Visits, distance: Callable[[Real, Real], Real]
) -> tuple[Whole, Whole, float]:
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
    order, way, length_m
        Visits (m,) in order, the way (m,) in which each is made, and the length of it all.

    Examples
    --------
    >>> corner = np.array([[[0, 0], [0, 9]], [[2, 0], [2, 9]], [[1, 0], [1, 9]]], dtype=float)
    >>> order, way, length_m = shortest_tour(
    ...     Visits(corner=corner, inside_m=np.full((3, 2), 9.0)),
    ...     lambda a, b: np.hypot(*(b - a).T))
    >>> order.tolist(), way.tolist(), length_m
    ([0, 2, 1], [0, 1, 0], 29.0)
    """
    count, ways = visits.inside_m.shape
    tour = _Tour(visits, distance)
    best: tuple[Whole, Whole, float] | None = None
    for way in range(ways if 1 < count <= _MANY_VISITS else 1):
        tour.start(way)
        tour.improve()
        if best is None or tour.length() < best[2] - _GAIN_M:
            best = tour.order, tour.way, tour.length()
    assert best is not None
    return best


def improved_tours(
    visits: Visits,
    distance: Callable[[Real, Real], Real],
    starts: list[tuple[Whole, Whole]],
) -> list[tuple[Whole, Whole, float]]:
    """As `shortest_tour`, but one tour each from given orders and ways."""
    tour = _Tour(visits, distance)
    tours = []
    for order, way in starts:
        tour.set(order, way)
        tour.improve()
        tours.append((tour.order, tour.way, tour.length()))
    return tours


class _Tour:
    """An order under improvement. Corners are numbered visit by visit, way by way."""

    def __init__(self, visits: Visits, distance: Callable[[Real, Real], Real]) -> None:
        self._inside = visits.inside_m
        self._count, self._ways = visits.inside_m.shape
        self._xy = visits.corner.reshape(-1, 2)
        self._measure = distance
        self._known: dict[int, float] = {}
        self._measure_neighbours()
        self.set(np.arange(self._count), np.zeros(self._count, dtype=np.int64))

    def _measure_neighbours(self) -> None:
        from scipy.spatial import cKDTree

        size = len(self._xy)
        _, near = cKDTree(self._xy).query(self._xy, k=min(_NEIGHBOURS, size))
        a = np.repeat(np.arange(size), near.shape[1] if near.ndim > 1 else 1)
        self._walk(a, near.ravel().astype(np.int64))

    def set(self, order: Whole, way: Whole) -> None:
        """Take over an order and the way of each visit."""
        self.order, self.way = order, way
        self._begin = order * self._ways + way
        self._end = order * self._ways + self._back(way)
        # Walks before each visit and after the last; the outer two are free.
        self._gaps = self._walk(np.append(-1, self._end), np.append(self._begin, -1))

    def _back(self, way: Whole) -> Whole:
        return np.asarray((way + self._ways // 2) % self._ways)

    def _crow(self, a: Whole, b: Whole) -> Real:
        """Straight distance between corners; a corner of -1 is nowhere, and free to reach."""
        gap = self._xy[a] - self._xy[b]
        return np.where((a < 0) | (b < 0), 0.0, np.hypot(gap[..., 0], gap[..., 1]))

    def _walk(self, a: Whole, b: Whole) -> Real:
        """Walking distance between corners (n,), remembered."""
        keys = np.minimum(a, b) * len(self._xy) + np.maximum(a, b)
        keys = np.where((a < 0) | (b < 0), -1, keys).tolist()
        self._known[-1] = 0.0
        new = list({key: i for i, key in enumerate(keys) if key not in self._known}.values())
        if new:
            lengths = self._measure(self._xy[a[new]], self._xy[b[new]]).tolist()
            self._known.update((keys[i], d) for i, d in zip(new, lengths, strict=True))
        return np.array([self._known[key] for key in keys])

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
            ahead = corners[np.repeat(left, self._ways)]
            crow = self._crow(np.full_like(ahead, here), ahead)
            near = ahead[np.argsort(crow, kind="stable")[: 2 * _LOOKS]]
            walk = self._walk(np.full_like(near, here), near)
            visit, chosen = divmod(int(near[np.argmin(walk)]), self._ways)
            order.append(visit)
            ways.append(chosen)
        self.set(np.array(order), np.array(ways))

    def improve(self) -> None:
        """Change the order as long as a change helps.

        A visit is looked at again only after something next to it has changed.
        """
        self._choose_ways()
        waiting = dict.fromkeys(self.order.tolist())
        while waiting:
            visit = next(iter(waiting))
            del waiting[visit]
            before = self._next_to()
            place = int(np.flatnonzero(self.order == visit)[0])
            changed = self._reverse_from(place) or any(
                self._move(place, place + size)
                for size in range(1, _BLOCK + 1)
                if place + size <= self._count
            )
            if not waiting and self._choose_ways():
                changed = True
            if changed:
                after = self._next_to()
                waiting.update(dict.fromkeys(np.flatnonzero(before != after).tolist()))

    def _next_to(self) -> Whole:
        """What each visit (m,) lies next to, as one number that changes when that does."""
        size = len(self._xy) + 1
        one, other = np.append(-1, self._end[:-1]) + 1, np.append(self._begin[1:], -1) + 1
        mark = np.empty(self._count, dtype=np.int64)
        pair = np.minimum(one, other) * size + np.maximum(one, other)
        mark[self.order] = pair * self._ways + np.minimum(self.way, self._back(self.way))
        return mark

    def _choose_ways(self) -> bool:
        """Best way of each visit for the order as it stands; whether that saved anything."""
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
        if total.min() > self.length() - _GAIN_M:
            return False
        chosen = [int(np.argmin(total))]
        for back in reversed(came):
            chosen.append(int(back[chosen[-1]]))
        self.set(self.order, np.array(chosen[::-1]))
        return True

    def _reverse_from(self, i: int) -> bool:
        """Reverse the stretch of the order from place i that saves most, if any does."""
        begin, end, gaps = self._begin, self._end, self._gaps
        before = np.full(self._count - i, end[i - 1] if i else -1)
        after = np.append(begin[i + 1 :], -1)
        first = np.full(self._count - i, begin[i])
        old = gaps[i] + gaps[i + 1 :]
        look = _promising(old - self._crow(before, end[i:]) - self._crow(first, after))
        if not look.size:
            return False
        gain = old[look] - self._walk(before[look], end[i:][look])
        gain -= self._walk(first[look], after[look])
        if gain.max() <= _GAIN_M:
            return False
        j = i + int(look[np.argmax(gain)]) + 1
        order, way = self.order.copy(), self.way.copy()
        order[i:j] = self.order[i:j][::-1]
        way[i:j] = self._back(self.way[i:j][::-1])
        self.set(order, way)
        return True

    def _move(self, i: int, j: int) -> bool:
        """Take visits i to j out and put them where, and the way round, that saves most."""
        begin, end, gaps = self._begin, self._end, self._gaps
        before, after = (end[i - 1] if i else -1), (begin[j] if j < self._count else -1)
        saved = gaps[i] + gaps[j] - self._walk(np.array([before]), np.array([after]))[0]
        if j - i == 1:
            ways = np.arange(self._ways)
            enter = self.order[i] * self._ways + ways
            leave = self.order[i] * self._ways + self._back(ways)
            extra = self._inside[self.order[i]] - self._inside[self.order[i], self.way[i]]
        else:
            enter, leave = np.array([begin[i], end[j - 1]]), np.array([end[j - 1], begin[i]])
            extra = np.zeros(2)
        if saved - extra.min() <= _GAIN_M:
            return False
        rest = np.r_[0:i, j : self._count]
        left, right = np.append(-1, end[rest]), np.append(begin[rest], -1)
        kept = np.concatenate([gaps[:i], [gaps[i] + gaps[j] - saved], gaps[j + 1 :]])
        hope = saved + kept[:, None] - extra
        hope = hope - self._crow(left[:, None], enter) - self._crow(leave, right[:, None])
        look = _promising(hope.ravel())
        if not look.size:
            return False
        place, way = np.divmod(look, len(enter))
        gain = saved + kept[place] - extra[way]
        gain -= self._walk(left[place], enter[way]) + self._walk(leave[way], right[place])
        best = int(np.argmax(gain))
        if gain[best] <= _GAIN_M:
            return False
        block, ways_of = self.order[i:j], self.way[i:j]
        if j - i == 1:
            ways_of = way[best : best + 1]
        elif way[best] == 1:
            block, ways_of = block[::-1], self._back(ways_of[::-1])
        self.set(
            np.insert(self.order[rest], place[best], block),
            np.insert(self.way[rest], place[best], ways_of),
        )
        return True


def _promising(hope: Real) -> Whole:
    """Places of the few greatest hopes of a gain, best first."""
    some = np.flatnonzero(hope > _GAIN_M)
    if some.size > _LOOKS:
        some = some[np.argsort(-hope[some], kind="stable")[:_LOOKS]]
    return some
