"""The order in which the legs of a pass are walked."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridtools.plan.ground import Ground, PassLegs


@dataclass(frozen=True, kw_only=True, eq=False)
class Order:
    leg: NDArray[np.int64]
    forward: NDArray[np.bool_]
    dead_m: float
    turns: int
    enclosed: int


def walking_order(legs: PassLegs, ground: Ground) -> Order:
    line = legs.legs.line
    rank = np.unique(line, return_inverse=True)[1]
    up = rank % 2 == 0
    index = np.lexsort((np.where(up, legs.legs.low, -legs.legs.low), line))
    fwd = up[index]
    start = np.where(fwd[:, None], legs.low_xy[index], legs.high_xy[index])
    finish = np.where(fwd[:, None], legs.high_xy[index], legs.low_xy[index])
    dead = float(np.hypot(*(start[1:] - finish[:-1]).T).sum())
    return Order(leg=index, forward=fwd, dead_m=dead, turns=len(index) - 1, enclosed=0)
