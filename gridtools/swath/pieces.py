"""Tracks cut into pieces, graphs over an axis and knots, and how segments bend off their axis."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]
Wholes = NDArray[np.int64]

_GRAPH_COS = np.sqrt(0.5)
# A shorter stretch costs more as a graph than cell by segment.
_SHORT_M = 8.0
_KNOT_SEGMENTS = 24


@dataclass(frozen=True, eq=False)
class Pieces:
    """First and one past the last segment (p,), track, axis (p, 2), and whether a graph over it."""

    first: Wholes
    last: Wholes
    track: Wholes
    axis: Reals
    graph: NDArray[np.bool_]
    bounds: Reals


def cut(a: Reals, b: Reals, track: Wholes) -> Pieces:
    """Pieces of tracks from their segments (n,)."""
    way = b - a
    length = np.hypot(*way.T)
    # The axis of a track: headings to and fro are one, so their doubled angles are averaged.
    double = 2.0 * np.arctan2(way[:, 1], way[:, 0])
    tracks = int(track.max(initial=-1)) + 1
    sine = np.bincount(track, length * np.sin(double), tracks)
    cosine = np.bincount(track, length * np.cos(double), tracks)
    half = 0.5 * np.arctan2(sine, cosine)
    axis = np.stack([np.cos(half), np.sin(half)], axis=1)[track]
    with np.errstate(invalid="ignore"):
        along = (way * axis).sum(axis=1) / length
    kind = np.where(along >= _GRAPH_COS, 1, np.where(along <= -_GRAPH_COS, -1, 0))
    piece = _stretches(track, kind)
    short = np.bincount(piece, length)[piece] < _SHORT_M
    whole = (
        np.bincount(piece)
        == np.bincount(track, minlength=tracks)[track[np.unique(piece, return_index=True)[1]]]
    )
    kind[short & ~whole[piece]] = 0
    # A long segment out of line is a graph over its own direction.
    alone = (kind == 0) & (length >= _SHORT_M)
    with np.errstate(invalid="ignore"):
        axis = np.where(
            alone[:, None], way / length[:, None], axis * np.where(kind, kind, 1)[:, None]
        )
    number = np.arange(len(kind))
    piece = _stretches(track, kind, np.where(alone, number, -1))
    first = np.unique(piece, return_index=True)[1]
    block = (number - first[piece]) // _KNOT_SEGMENTS
    piece = _stretches(piece, np.where((kind == 0) & ~alone, block, 0))
    first = np.unique(piece, return_index=True)[1]
    last = np.append(first[1:], len(kind)).astype(np.int64)
    if not len(first):
        return Pieces(first, last, track, axis, kind > 0, np.empty((0, 4)))
    low = np.minimum.reduceat(np.minimum(a, b), first)
    high = np.maximum.reduceat(np.maximum(a, b), first)
    graph = (kind[first] != 0) | alone[first]
    return Pieces(first, last, track[first], axis[first], graph, np.hstack([low, high]))


class Bends(NamedTuple):
    """How segments (n,) of graphs lie to their axis and to their neighbours.

    Attributes
    ----------
    stretch
        Length along the steepest segment nearby to length along the axis.
    turn
        Beyond its ends the track turns off the line of a segment by at most this much, within
        reach.
    shift
        The nearest place of a graph of slope L is at most ``2 L D / (1 + L²)`` along the axis
        from the place abreast, D being the distance across the axis, itself at most
        ``d sqrt(1 + L²)``: this times the distance d to any part of the track.
    """

    stretch: Reals
    turn: Reals
    shift: Reals


def bends_of(a: Reals, b: Reals, pieces: Pieces, reach_m: float) -> Bends:
    """Bends of segments (n,) from ``a`` to ``b`` (n, 2), in metres, within reach."""
    piece = np.repeat(np.arange(len(pieces.first)), pieces.last - pieces.first)
    axis = pieces.axis[piece]
    along = (axis * (b - a)).sum(axis=1)
    angle = np.arctan2(axis[:, 0] * (b - a)[:, 1] - axis[:, 1] * (b - a)[:, 0], along)
    graph = pieces.graph[piece]
    angle[~graph] = 0.0
    start, finish = (axis * a).sum(axis=1), (axis * b).sum(axis=1)
    low, high = angle.copy(), angle.copy()
    # As far as a circle of that radius through a place of the track goes on a slope of up to 1.
    within = 2.0 * np.sqrt(2.0) * reach_m
    ahead = np.flatnonzero(graph)
    offset = 0
    while ahead.size:
        offset += 1
        ahead = ahead[ahead < len(angle) - offset]
        other = ahead + offset
        ahead = ahead[(piece[other] == piece[ahead]) & (start[other] - finish[ahead] <= within)]
        other = ahead + offset
        for one, two in ((ahead, other), (other, ahead)):
            low[one] = np.minimum(low[one], angle[two])
            high[one] = np.maximum(high[one], angle[two])
    steepest = np.maximum(high, -low)
    turn = np.minimum(np.maximum(high - angle, angle - low), 1.57)
    return Bends(1.0 / np.cos(steepest), np.tan(turn), 2.0 * np.sin(steepest))


def _stretches(*labels: Wholes) -> Wholes:
    """Number (n,) of the stretch of equal labels that each belongs to."""
    fresh = np.zeros(len(labels[0]), dtype=bool)
    for label in labels:
        fresh[1:] |= label[1:] != label[:-1]
    return np.cumsum(fresh)
