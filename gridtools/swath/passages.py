"""How near each track passes every cell of a window: exact distances, cell by cell.

A track is cut into pieces. Where it keeps within 45 degrees of one axis it is a graph over that
axis: cells beside it are taken in rows at right angles to the axis, and each is first measured to
the segment abreast of it. Only where a neighbouring segment might be nearer are more measured. The
rest of a track, its knots, is measured cell by segment, which is slow and needs no conditions.
"""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.errors import InputError
from gridtools.swath.cells import Window
from gridtools.swath.pieces import Bends, Reals, Wholes, bends_of, cut

# A strip of cells in work at once: its arrays stay in the processor's cache.
_CELLS_AT_ONCE = 60_000


class Passage(NamedTuple):
    """Cells that a track passes within reach of.

    Attributes
    ----------
    track
        Row of the track.
    cell
        Places of the cells in the flat, padded window, each at most once.
    distance
        Distance of each in cells; where it is over the reach it need not be exact.
    """

    track: int
    cell: NDArray[np.intp]
    distance: NDArray[np.float32]


class Tracks:
    """Tracks cut into pieces, to be measured from the cells of any window.

    Parameters
    ----------
    lines
        LineStrings (n,) in metres, of any shape: bends, U-turns, knots, repeated points.
    reach_m
        Greatest distance that is of interest.

    Raises
    ------
    InputError
        If a coordinate is not a finite number.
    """

    def __init__(self, lines: NDArray[np.object_], reach_m: float) -> None:
        xy, track = shapely.get_coordinates(lines, return_index=True)
        if not np.isfinite(xy).all():
            bad = track[np.flatnonzero(~np.isfinite(xy).all(axis=1))[0]]
            raise InputError(f"line {bad + 1} has a coordinate that is not a number: mend it")
        fresh = np.ones(len(xy), dtype=bool)
        fresh[1:] = (xy[1:] != xy[:-1]).any(axis=1) | (track[1:] != track[:-1])
        # A track that never leaves its place is one segment of no length.
        count = np.bincount(track[fresh], minlength=len(lines))
        repeat = np.ones(int(fresh.sum()), dtype=np.int64)
        repeat[count[track[fresh]] == 1] = 2
        xy, track = np.repeat(xy[fresh], repeat, axis=0), np.repeat(track[fresh], repeat)
        start = np.flatnonzero(track[:-1] == track[1:])
        self._a, self._b = xy[start], xy[start + 1]
        self._pieces = cut(self._a, self._b, track[start].astype(np.int64))
        self._bends = bends_of(self._a, self._b, self._pieces, reach_m)
        self.reach_m = reach_m

    def padding(self, window: Window) -> int:
        """Cells that a window is padded with on each side, for strips that reach over its edge."""
        return int(np.ceil(3.0 * self.reach_m / window.grid.cell_m)) + 10

    def near(self, window: Window) -> Iterator[Passage]:
        """Passages within reach of cells of a window, track by track, in order.

        The flat, padded window has `padding` more cells on each side.
        """
        pieces, reach_m = self._pieces, self.reach_m
        west, south, east, north = window.bounds_m
        # So far out, what lies abreast of a cell of the window is there as well (slope up to 1).
        margin = 2.5 * reach_m + 2 * window.grid.cell_m
        low, high = np.array([west, south]) - margin, np.array([east, north]) + margin
        near = ((pieces.bounds[:, :2] <= high) & (pieces.bounds[:, 2:] >= low)).all(axis=1)
        chosen = np.flatnonzero(near)
        strips = _Strips(window, reach_m, self.padding(window))
        ends = np.flatnonzero(np.diff(pieces.track[chosen], append=-1)) + 1
        begin = 0
        for end in ends.tolist():
            mine, begin = chosen[begin:end], end
            parts: list[tuple[NDArray[np.intp], NDArray[np.float32]]] = []
            for piece in mine.tolist():
                first, last = int(pieces.first[piece]), int(pieces.last[piece])
                a, b = self._a[first:last], self._b[first:last]
                here = np.flatnonzero(
                    ((np.minimum(a, b) <= high) & (np.maximum(a, b) >= low)).all(axis=1)
                )
                if not here.size:
                    continue
                part = slice(first + int(here[0]), first + int(here[-1]) + 1)
                a, b = self._a[part], self._b[part]
                if pieces.graph[piece]:
                    bends = Bends(*(v[part] for v in self._bends))
                    parts += strips.beside(a, b, pieces.axis[piece], bends)
                else:
                    parts += strips.around(a, b)
            track = int(pieces.track[mine[0]])
            if len(mine) == 1 and pieces.graph[mine[0]]:
                for cell, distance in parts:
                    yield Passage(track, cell, distance)
            elif parts:
                yield Passage(track, *strips.nearest(parts))


class _Strips:
    """Cells beside pieces of track, in one window; lengths here are in cells."""

    def __init__(self, window: Window, reach_m: float, pad: int) -> None:
        self._window = window
        self._reach = reach_m / window.grid.cell_m
        self._pad = pad
        self._width = window.columns + 2 * self._pad
        self._size = self._width * (window.rows + 2 * self._pad)
        self._buffer: NDArray[np.float32] | None = None

    def nearest(
        self, parts: list[tuple[NDArray[np.intp], NDArray[np.float32]]]
    ) -> tuple[NDArray[np.intp], NDArray[np.float32]]:
        """Least distance by cell over the pieces of one track."""
        if self._buffer is None:
            self._buffer = np.full(self._size, np.inf, dtype=np.float32)
        touched = []
        for cell, distance in parts:
            within = distance <= self._reach
            cell = cell[within]
            self._buffer[cell] = np.minimum(self._buffer[cell], distance[within])
            touched.append(cell)
        cells = np.unique(np.concatenate(touched))
        found = self._buffer[cells]
        self._buffer[cells] = np.inf
        return cells, found

    def around(self, a: Reals, b: Reals) -> list[tuple[NDArray[np.intp], NDArray[np.float32]]]:
        """Cells around a knot, each measured to every segment (n,) of it."""
        a, b = self._window.places(a), self._window.places(b)
        both = np.concatenate([a, b])
        most = np.array([self._window.columns, self._window.rows]) - 1
        low = np.maximum(np.floor(both.min(axis=0) - self._reach), 0).astype(np.int64)
        high = np.minimum(np.ceil(both.max(axis=0) + self._reach), most).astype(np.int64)
        if (low > high).any():
            return []
        column, row = np.arange(low[0], high[0] + 1), np.arange(low[1], high[1] + 1)
        x, y = column.astype(np.float64), row.astype(np.float64)[:, None]
        best = np.full((len(row), len(column)), np.inf)
        for (ax, ay), (bx, by) in zip(a.tolist(), b.tolist(), strict=True):
            dx, dy = bx - ax, by - ay
            square = dx * dx + dy * dy
            t = np.clip(((x - ax) * dx + (y - ay) * dy) / (square or 1.0), 0.0, 1.0)
            np.minimum(best, (x - ax - t * dx) ** 2 + (y - ay - t * dy) ** 2, out=best)
        cell = (row[:, None] + self._pad) * self._width + column + self._pad
        return [(cell.astype(np.intp), np.sqrt(best).astype(np.float32))]

    def beside(
        self, a: Reals, b: Reals, axis: Reals, bends: Bends
    ) -> list[tuple[NDArray[np.intp], NDArray[np.float32]]]:
        """Cells beside a graph of segments (n,), in strips."""
        xy = self._window.places(np.concatenate([a, b[-1:]]))
        # Rows of cells are taken across the axis: p counts along it, q across, whichever of row
        # and column that is; turned round where needed, so that both grow along the track.
        steep = abs(axis[1]) >= abs(axis[0])
        q, p = xy.T if steep else xy.T[::-1]
        eq, ep = (axis[0], -axis[1]) if steep else (-axis[1], axis[0])
        if ep < 0:
            p, q, ep, eq = p[::-1], q[::-1], -ep, -eq
            bends = Bends(*(v[::-1] for v in bends))
        sides = self._window.rows, self._window.columns
        strides = self._width, 1
        if not steep:
            sides, strides = sides[::-1], strides[::-1]
        return _Graph(p, q, ep, eq, self._reach, bends).cells(sides, strides, self._pad)


class _Graph:
    """A piece of track as a graph over its axis, in cells."""

    def __init__(
        self, p: Reals, q: Reals, ep: float, eq: float, reach: float, bends: Bends
    ) -> None:
        self._q, self._ep, self._eq, self._reach = q, ep, eq, reach
        dp, dq = p[1:] - p[:-1], q[1:] - q[:-1]
        length = np.hypot(dp, dq)
        self._tp, self._tq = dp / length, dq / length
        self._half = length / 2
        self._mp, self._mq = (p[:-1] + p[1:]) / 2, (q[:-1] + q[1:]) / 2
        self._u = ep * p + eq * q
        self._stretch = float(bends.stretch.max())
        self._turn, self._shift = bends.turn, bends.shift

    def cells(
        self, sides: tuple[int, int], strides: tuple[int, int], pad: int
    ) -> list[tuple[NDArray[np.intp], NDArray[np.float32]]]:
        """Padded flat places and distances of the cells of rows across the axis.

        Row r of the strip holds the cells (p, q) with ``p = r - round(q s)``: a line at right
        angles to the axis as closely as cells can follow it, and each cell is in one row.
        """
        ep, eq, u = self._ep, self._eq, self._u
        s = eq / ep
        r = np.arange(
            np.floor((u[0] - self._reach - 1) / ep), np.ceil((u[-1] + self._reach + 1) / ep) + 1
        )
        abreast = np.clip(ep * r, u[0], u[-1])
        k = np.clip(np.searchsorted(u, abreast, side="right") - 1, 0, len(u) - 2)
        share = (abreast - u[k]) / (u[k + 1] - u[k])
        middle = self._q[k] + share * (self._q[k + 1] - self._q[k]) + (ep * r - abreast) * eq
        middle = np.rint(middle)
        w = int(np.ceil(self._reach * self._stretch / np.hypot(1.0, s))) + 2
        at = r - middle * s
        keep = np.flatnonzero(
            (middle >= -w - 1) & (middle <= sides[1] + w)
            & (at >= -w - 2) & (at <= sides[0] + w + 1)
        )  # fmt: skip
        across = np.arange(-pad, sides[1] + pad)
        skew = np.rint(across * s)
        place = ((across + pad) * strides[1] + (pad - skew) * strides[0]).astype(np.intp)
        # Row i of each of these views is the stretch of 2 w + 1 values from the i-th on.
        skews, places = (
            np.ndarray((len(v) - 2 * w, 2 * w + 1), v.dtype, v, 0, v.strides * 2)
            for v in (skew.astype(np.float32), place)
        )
        step = max(1, _CELLS_AT_ONCE // (2 * w + 1))
        out = []
        for start in range(0, len(keep), step):
            rows = keep[start : start + step]
            first = middle[rows].astype(np.int64) - w + pad
            cell = places[first] + (r[rows] * strides[0]).astype(np.intp)[:, None]
            distance = self._distance(r[rows], middle[rows], k[rows], skews[first], w)
            out.append((cell, distance))
        return out

    def _distance(
        self, r: Reals, middle: Reals, k: Wholes, skew: NDArray[np.float32], w: int
    ) -> NDArray[np.float32]:
        """Distances (m, 2 w + 1) of the cells of rows (m,)."""

        def column(values: Reals) -> NDArray[np.float32]:
            return np.asarray(values, dtype=np.float32)[:, None]

        j = np.arange(-w, w + 1, dtype=np.float32)
        tp, tq, mp, mq = self._tp[k], self._tq[k], self._mp[k], self._mq[k]
        aside = column(tp) * j
        aside += column(tp * (middle - mq) - tq * (r - mp))
        aside += column(tq) * skew
        np.abs(aside, out=aside)
        beyond = column(tq) * j
        beyond += column(tp * (r - mp) + tq * (middle - mq))
        beyond -= column(tp) * skew
        np.abs(beyond, out=beyond)
        beyond -= column(self._half[k])
        # Where the foot lies so far inside its segment, the rest of the track cannot reach into
        # the circle about the cell: it would have to turn off by more than it does.
        unsure = aside * column(-0.5 * self._turn[k]) < beyond
        np.maximum(beyond, 0.0, out=beyond)
        beyond *= beyond
        aside *= aside
        aside += beyond
        if len(self._tp) > 1:
            unsure &= aside < np.float32((self._reach * self._stretch + 1.0) ** 2)
            self._try_neighbours(np.flatnonzero(unsure), aside, r, middle, k, skew, w)
        np.sqrt(aside, out=aside)
        return aside

    def _try_neighbours(
        self,
        flat: Wholes,
        square: NDArray[np.float32],
        r: Reals,
        middle: Reals,
        k: Wholes,
        skew: NDArray[np.float32],
        w: int,
    ) -> None:
        """Lower squared distances where a neighbour of the segment abreast is nearer."""
        row, j = np.divmod(flat, 2 * w + 1)
        values = square.ravel()
        p = r[row] - skew.ravel()[flat]
        q = middle[row] + (j - w)
        base, u = k[row], self._u
        abreast = np.clip(self._ep * r, u[0], u[-1])[row]
        best = values[flat]
        # Half a cell more: the row of a cell may lie so far off the place abreast of it.
        within = self._shift[base] * np.sqrt(best) + 0.75
        live = np.concatenate([np.arange(len(flat))] * 2)
        way = np.repeat([1, -1], len(flat))
        other = base[live]
        while True:
            other = other + way
            known = np.flatnonzero((other >= 0) & (other < len(self._tp)))
            live, way, other = live[known], way[known], other[known]
            gap = way * (u[other + (way < 0)] - abreast[live])
            near = np.flatnonzero(gap <= within[live])
            if not near.size:
                break
            live, way, other = live[near], way[near], other[near]
            dp, dq = p[live] - self._mp[other], q[live] - self._mq[other]
            tp, tq = self._tp[other], self._tq[other]
            beyond = np.maximum(np.abs(tp * dp + tq * dq) - self._half[other], 0.0)
            np.minimum.at(best, live, ((tp * dq - tq * dp) ** 2 + beyond**2).astype(np.float32))
        values[flat] = best
