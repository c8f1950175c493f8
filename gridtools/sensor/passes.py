"""Test passes over a test piece: how many, how far off, and in which order.

The layout is common practice, no source, checked by simulation: 40 passes so spread measure the
sweep width to about a fifth (90 % interval of either side).
"""

import random
from collections.abc import Iterator
from typing import NamedTuple

#: Distances abreast in parts of R, the distance at which a first try stopped responding: close
#: together where the response falls off, and out to twice R, where all should be silent.
SHARES_OF_R = (0.1, 0.4, 0.6, 0.75, 0.9, 1.0, 1.15, 1.3, 1.6, 2.0)
_SEED = 7
_CAUTIONS = ("Implants", "Metal off the person", "Buried services", "Suspected munition")


class PlannedPass(NamedTuple):
    """One test pass: its offset in parts of R, right of the walker positive, and its heading."""

    number: int
    share: float
    heading: str


def planned_passes() -> Iterator[PlannedPass]:
    """Forty passes: each distance on both sides and headings, in an order nobody can guess."""
    all_passes = [
        (side * share, heading) for share in SHARES_OF_R for side in (-1, 1) for heading in "AB"
    ]
    random.Random(_SEED).shuffle(all_passes)
    # The walker goes to and fro: headings alternate, in the order drawn for each.
    by_heading = {h: iter([p for p in all_passes if p[1] == h]) for h in "AB"}
    for number in range(1, len(all_passes) + 1):
        share, heading = next(by_heading["AB"[(number - 1) % 2]])
        yield PlannedPass(number, share, heading)
