"""Legs grouped into cells: blocks of neighbouring legs walked to and fro, one after the other.

A lane sweeping over the ground meets no-go ground and re-entrant corners where legs split and
join; between those places legs follow one another one to one. Such a block is a cell of the
boustrophedon decomposition (Choset and Pignon, *Coverage path planning: the boustrophedon
cellular decomposition*, 1998; from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridtools.plan.strips import Stretches

Real = NDArray[np.float64]
Whole = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Cells:
    """Blocks of legs that follow one another.

    Attributes
    ----------
    leg
        Legs (n,) block by block, in each from lane to lane.
    first, count
        Where each block (m,) starts in `leg`, and how many legs it has.
    """

    leg: Whole
    first: Whole
    count: Whole


def group(legs: Stretches) -> Cells:
    """Cells of legs that are sorted by line and position.

    Two legs on neighbouring lines belong together if they overlap along the lanes, and neither
    overlaps another leg of the other line.

    Examples
    --------
    >>> legs = Stretches(line=np.array([0, 1, 1, 2]), low=np.array([0., 0, 7, 0]),
    ...                  high=np.array([9., 4, 9, 9]))
    >>> cells = group(legs)
    >>> [cells.leg[f : f + n].tolist() for f, n in zip(cells.first, cells.count)]
    [[0], [1], [2], [3]]
    """
    after_first, after_count = _overlaps(legs, 1)
    before_count = _overlaps(legs, -1)[1]
    linked = after_count == 1
    linked[linked] = before_count[after_first[linked]] == 1
    follower = np.where(linked, after_first, -1)
    opens = np.ones(len(legs), dtype=bool)
    opens[follower[linked]] = False
    # Legs come lane by lane, so a block's number reaches its later legs in one sweep.
    cell = np.full(len(legs), -1, dtype=np.int64)
    cell[opens] = np.arange(np.count_nonzero(opens))
    for leg in np.flatnonzero(linked):
        cell[follower[leg]] = cell[leg]
    order = np.argsort(cell, kind="stable")
    count = np.bincount(cell)
    return Cells(leg=order, first=np.cumsum(count) - count, count=count)


def _overlaps(legs: Stretches, step: int) -> tuple[Whole, Whole]:
    """First leg (n,) on the line `step` further that overlaps each leg, and how many do."""
    rank_low = _rank(legs, legs.line + step, legs.low, of_ends=True)
    rank_high = _rank(legs, legs.line + step, legs.high, of_ends=False)
    return rank_low, np.maximum(rank_high - rank_low, 0)


def _rank(legs: Stretches, line: Whole, along: Real, *, of_ends: bool) -> Whole:
    """Number of legs wholly before a place (n,), or that start before it."""
    marks = legs.high if of_ends else legs.low
    order = np.lexsort(
        (
            np.repeat([0, 1] if of_ends else [1, 0], len(legs)),
            np.concatenate([marks, along]),
            np.concatenate([legs.line, line]),
        )
    )
    is_leg = order < len(legs)
    rank = np.empty(len(legs), dtype=np.int64)
    rank[order[~is_leg] - len(legs)] = np.cumsum(is_leg)[~is_leg]
    return rank
