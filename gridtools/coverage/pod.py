"""Probability of detection (POD), cell by cell, from the distance of each accepted run.

Every run that passes a cell at distance d detects the object there with probability p(d), the
lateral range curve; only the nearest passage of a run counts. Runs are combined in two ways, as
`gridtools.sensor.pod` does: *independent*, ``1 - prod(1 - p)``, and *cautious*, with no credit for
repeats of one pass.

Products are sums of ``g(d) = -ln(1 - p(d))``. A curve with a long tail is split: what is sharp
is summed over near runs on the cells themselves, and what is smooth over far runs on cells
eight times as large, and so on, between whose centres it is interpolated.
"""

from collections import deque
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.coverage.walked import split_passes
from gridtools.layers import Lanes, Runs
from gridtools.sensor.curves import Curve
from gridtools.swath.cells import CellGrid, Outline, Window
from gridtools.swath.passages import Tracks
from gridtools.swath.uncovered import map_threads, thread_count
from gridtools.units import normalise_bearing

Doubles = NDArray[np.float64]
Reals = NDArray[np.float32]

#: Cells to a sweep width unless another size is asked for: over one cell of that size the POD of
#: a run differs by at most about 0.04 from that at its centre.
CELLS_PER_SWEEP_WIDTH = 8
#: Cells of a window on each side: sixteen blocks of a tiled file.
WINDOW = 1024
HEADINGS = 4

_NEAR_WIDTHS = 3.0
_COARSER = 8
# Farther off than where the curve falls to this, runs add nothing that could be seen: the second
# for curves with so long a tail that many such runs add up.
_LEAST_P, _LEAST_TAIL_P = 1e-4, 3e-6
# No run is credited with more, so that products stay numbers.
_MOST_P = 1.0 - 1e-9
_TABLE = 16384
_COARSE_WINDOW = 256
_STRAIGHT_CELLS = 1 / 32
_NICE = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class Passes:
    """Accepted runs, told apart by direction.

    Attributes
    ----------
    lines
        Runs (n,) in metres.
    heading
        Heading class (n,): 0 and 1 along pass 1 and back, 2 and 3 along pass 2 and back.
    bearings_deg
        Bearings (4,) of the heading classes.
    """

    lines: NDArray[np.object_]
    heading: NDArray[np.int64]
    bearings_deg: tuple[float, ...]


def accepted_passes(lanes: Lanes, runs: Runs) -> Passes:
    """Runs that count, each with its heading class.

    A run of a pass belongs to it; a run of a recheck lane, or off any lane, to the pass that it is
    more nearly parallel to, so that the cautious value gives it no credit of its own.

    Examples
    --------
    >>> import shapely
    >>> walk = shapely.linestrings([[[0, 0], [0, 9]], [[2, 9], [2, 0]], [[9, 4], [0, 4]]])
    >>> runs = Runs.build(geometry=list(walk), pass_no=[1, 1, 0], heading_deg=[0.0, 180.0, 271.0],
    ...                   length_m=9.0, accepted=[True, True, True])
    >>> passes = accepted_passes(Lanes.empty(), runs)
    >>> passes.heading.tolist(), passes.bearings_deg
    ([0, 1, 3], (0.0, 180.0, 90.0, 270.0))
    """
    bearing = round(split_passes(lanes, runs, 1)[0].bearing_deg, 9) % 180.0
    counted = runs.take(runs.accepted)
    angle = np.radians(np.nan_to_num(counted.heading_deg - bearing))
    across = np.where(
        counted.pass_no == 0, np.abs(np.sin(angle)) > np.sqrt(0.5), counted.pass_no == 2
    )
    back = np.where(across, np.sin(angle) < 0, np.cos(angle) < 0)
    turns = normalise_bearing(bearing + np.array([0.0, 180.0, 90.0, 270.0]))
    return Passes(
        lines=counted.geometry,
        heading=2 * across + back.astype(np.int64),
        bearings_deg=tuple(turns.tolist()),
    )


def cell_size(sweep_width: float) -> float:
    """Side of a cell for a sweep width, in the same unit: an eighth of it, rounded down.

    Examples
    --------
    >>> cell_size(2.0), cell_size(3.6), cell_size(13.0)
    (0.25, 0.4, 1.5)
    """
    wanted = sweep_width / CELLS_PER_SWEEP_WIDTH
    unit = 10.0 ** np.floor(np.log10(wanted) + 1e-9)
    return float(max(n * unit for n in _NICE if n * unit <= wanted * (1 + 1e-9)))


class PodWindow(NamedTuple):
    """Values of one window (rows, columns).

    Attributes
    ----------
    window
        Which.
    inside
        Cells whose centre lies in the search area. The rest hold values too, of no meaning.
    independent, cautious
        POD, 0 to 1.
    crossings
        Runs (4, rows, columns) that passed within half a sweep width, by heading class.
    best
        The highest chance of any one run.
    """

    window: Window
    inside: NDArray[np.bool_]
    independent: Reals
    cautious: Reals
    crossings: NDArray[np.uint8]
    best: Reals


class PodMap:
    """POD of a search area, worked out window by window.

    Parameters
    ----------
    area
        Search area: polygon or multipolygon in metres.
    passes
        Accepted runs.
    curve
        Lateral range curve, smeared where positions across the track err.
    grid
        Cells over the search area.
    threads
        Number of threads; the values do not depend on it.

    Examples
    --------
    One run up the middle of a strip: the sweep width of ground is detected in all.

    >>> import shapely
    >>> from gridtools.sensor.curves import HalfNormal
    >>> walk = Runs.build(geometry=[shapely.LineString([(10, -9), (10, 14)])], pass_no=1,
    ...                   heading_deg=0.0, length_m=23.0, accepted=True)
    >>> area = shapely.box(0, 0, 20, 5)
    >>> pod = PodMap(area, accepted_passes(Lanes.empty(), walk), HalfNormal(2.0),
    ...              CellGrid.over(area, 0.25))
    >>> part = next(pod.windows())
    >>> float(part.independent[0].sum().round(3)) * 0.25
    2.0
    """

    def __init__(
        self,
        area: Any,
        passes: Passes,
        curve: Curve,
        grid: CellGrid,
        *,
        threads: int | None = None,
    ) -> None:
        self.grid = grid
        self._outline = Outline(area)
        self._heading = passes.heading
        self._threads = thread_count(threads)
        self._half_width_m = curve.sweep_width_m / 2
        self._near, *coarser = _levels(curve, grid)
        self._tracks = Tracks(passes.lines, self._near.reach_m)
        # Far off a run, where it went to a part of a large cell makes no difference.
        lines, tracks = passes.lines, []
        for level in coarser:
            lines = shapely.simplify(lines, level.grid.cell_m * _STRAIGHT_CELLS)
            tracks.append(Tracks(lines, level.reach_m))
        self._far: _Sums | None = None
        for level, far_tracks in zip(coarser[::-1], tracks[::-1], strict=True):
            self._far = self._whole(level, far_tracks, self._far)

    def windows(self) -> Iterator[PodWindow]:
        """Windows that hold cells of the search area, in order; only a few exist at a time."""
        windows = self.grid.windows(WINDOW)
        if self._threads == 1:
            yield from (part for w in windows if (part := self._window(w)) is not None)
            return
        with ThreadPoolExecutor(self._threads) as pool:
            waiting: deque[Any] = deque()
            try:
                for window in windows:
                    waiting.append(pool.submit(self._window, window))
                    if len(waiting) > self._threads:
                        part = waiting.popleft().result()
                        if part is not None:
                            yield part
                while waiting:
                    part = waiting.popleft().result()
                    if part is not None:
                        yield part
            finally:
                for task in waiting:
                    task.cancel()

    def _window(self, window: Window) -> PodWindow | None:
        inside = self._outline.inside(window)
        if not inside.any():
            return None
        crossings = np.zeros((HEADINGS, window.rows, window.columns), dtype=np.uint8)
        sums = self._sums(window, self._near, self._tracks, self._far, crossings)
        return PodWindow(
            window,
            inside,
            -np.expm1(-sums.every),
            # What is interpolated may differ in the last digits: cautious is never the greater.
            -np.expm1(-np.minimum(sums.best.sum(axis=0), sums.every)),
            crossings,
            -np.expm1(-sums.best.max(axis=0)),
        )

    def _whole(self, level: "_Level", tracks: Tracks, far: "_Sums | None") -> "_Sums":
        """Sums over all of a coarse grid."""
        grid = level.grid
        windows = list(grid.windows(_COARSE_WINDOW))
        out = _Sums.zeros(grid.rows, grid.columns)

        def work(i: int) -> None:
            w = windows[i]
            here = np.s_[..., w.row : w.row + w.rows, w.column : w.column + w.columns]
            sums = self._sums(w, level, tracks, far)
            out.every[here], out.best[here] = sums.every, sums.best

        map_threads(work, len(windows), self._threads)
        return out

    def _sums(
        self,
        window: Window,
        level: "_Level",
        tracks: Tracks,
        far: "_Sums | None",
        crossings: NDArray[np.uint8] | None = None,
    ) -> "_Sums":
        """Sums of one window: of near runs cell by cell, of far ones from the coarser grid."""
        pad = tracks.padding(window)
        shape = window.rows + 2 * pad, window.columns + 2 * pad
        every = np.zeros(shape[0] * shape[1], dtype=np.float32)
        nearest = np.full((2, len(every)), np.inf, dtype=np.float32)
        count = None if crossings is None else np.zeros((HEADINGS, len(every)), dtype=np.uint8)
        cell_m = window.grid.cell_m
        half = np.float32(self._half_width_m / cell_m)
        scale = np.float32(cell_m / level.step_m)
        for track, cell, distance in tracks.near(window):
            heading = int(self._heading[track])
            every[cell] = every.take(cell, mode="clip") + level.look_up(distance, scale)
            best = nearest[heading // 2]
            best[cell] = np.minimum(best.take(cell, mode="clip"), distance)
            if count is not None:
                count[heading][cell[distance <= half]] += 1
        inner = np.s_[..., pad : pad + window.rows, pad : pad + window.columns]
        sums = _Sums(every.reshape(shape)[inner], np.empty((2, window.rows, window.columns), "f4"))
        known = nearest.reshape(2, *shape)[inner]
        if crossings is not None and count is not None:
            crossings[:] = count.reshape(HEADINGS, *shape)[inner]
        beyond = None if far is None else far.at(window, level.factor)
        for k in (0, 1):
            sums.best[k] = level.whole_at(known[k], scale)
            if beyond is not None:
                out = known[k] * scale >= _TABLE
                sums.best[k][out] = beyond.best[k][out]
        if beyond is not None:
            sums.every[...] += beyond.every
        return sums


class _Sums(NamedTuple):
    """Sum of g over all runs (rows, columns), and g of the nearest run of each pass (2, ...)."""

    every: Reals
    best: Reals

    @classmethod
    def zeros(cls, rows: int, columns: int) -> "_Sums":
        return cls(np.zeros((rows, columns), "f4"), np.zeros((2, rows, columns), "f4"))

    def at(self, window: Window, factor: int) -> "_Sums":
        """Values at the cells of a window of the finer grid, interpolated between centres."""
        return _Sums(*(_finer(v, window, factor) for v in self))


def _finer(coarse: Reals, window: Window, factor: int) -> Reals:
    for axis, (first, count) in (
        (-2, (window.row, window.rows)),
        (-1, (window.column, window.columns)),
    ):
        # One coarse cell of border; centres lie half a cell from the corner in both grids.
        place = (np.arange(first, first + count) + 0.5) / factor + 0.5
        low = np.floor(place).astype(np.int64)
        share = (place - low).astype(np.float32)
        share = share[:, None] if axis == -2 else share
        one = np.take(coarse, low, axis=axis)
        coarse = one + share * (np.take(coarse, low + 1, axis=axis) - one)
    return coarse


@dataclass(frozen=True, eq=False)
class _Level:
    """One grid, and what of g is summed on it.

    `factor` is the size of a cell of the next coarser grid in cells. The tables hold, at
    multiples of `step_m` up to the reach, what is summed here, and all of g that is left to this
    and the coarser grids.
    """

    grid: CellGrid
    reach_m: float
    factor: int
    part: Reals
    whole: Reals

    @property
    def step_m(self) -> float:
        return self.reach_m / _TABLE

    def look_up(self, distance: Reals, scale: np.float32) -> Reals:
        """What runs at distances (n,) in cells add here."""
        found: Reals = np.take(self.part, (distance * scale).astype(np.intp), mode="clip")
        return found

    def whole_at(self, distance: Reals, scale: np.float32) -> Reals:
        """All of g at distances (n,) in cells within reach, zero beyond."""
        step = np.minimum(distance * scale, np.float32(_TABLE)).astype(np.intp)
        found: Reals = np.take(self.whole, step, mode="clip")
        return found


def _levels(curve: Curve, grid: CellGrid) -> list[_Level]:
    """Grids from fine to coarse that together sum a curve as far as it reaches."""
    width = curve.sweep_width_m
    reach = _NEAR_WIDTHS * width
    far = max(curve.reach_m(_LEAST_P), width / 2 * (1 + 1e-6))
    if far > reach:
        far = curve.reach_m(_LEAST_TAIL_P)

    def g(distance: Doubles) -> Doubles:
        return np.asarray(-np.log1p(-np.minimum(curve.probability(distance), _MOST_P)))

    inner: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    levels = []
    while True:
        last = far <= reach
        reach = min(reach, far)
        # A distance is rounded down to a step of the table: the values are those half a step on.
        distance = np.linspace(0.0, reach, _TABLE, endpoint=False) + reach / _TABLE / 2
        left = _flattened(g, distance, inner)
        if last:
            levels.append(_Level(grid, reach, 1, *_tables(left, left)))
            return levels
        inner = _flat(g, reach)
        rest = _flattened(g, distance, inner)
        factor = max(1, round(reach / _NEAR_WIDTHS / grid.cell_m))
        levels.append(_Level(grid, reach, factor, *_tables(left - rest, left)))
        grid, reach = grid.coarser(factor), reach * _COARSER


def _tables(part: Doubles, whole: Doubles) -> tuple[Reals, Reals]:
    return tuple(np.append(v, 0.0).astype(np.float32) for v in (part, whole))  # type: ignore[return-value]


def _flat(g: Any, reach: float) -> tuple[float, float, float, float]:
    """Even polynomial in d that goes on inwards from g at the reach: it, and ``A, B, C``."""
    step = 0.02 * reach
    before, at, after = g(reach + step * np.arange(-1, 2)).tolist()
    slope, bend = (after - before) / (2 * step), (after - 2 * at + before) / step**2
    c = (bend - slope / reach) / (8 * reach**2)
    b = slope / (2 * reach) - 2 * c * reach**2
    return reach, at - b * reach**2 - c * reach**4, b, c


def _flattened(g: Any, distance: Doubles, inner: tuple[float, float, float, float]) -> Doubles:
    reach, a, b, c = inner
    square = np.square(distance)
    return np.where(distance < reach, a + (b + c * square) * square, g(distance))
