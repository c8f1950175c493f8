"""Wooden stakes found along a line: a lateral range data set with a known truth.

Laake 1978; Burnham, Anderson and Laake 1980: 150 stakes in a strip 20 m to either side of a line
of 1 km. Found by observer 3 and present, by perpendicular distance in bins of 2.5 m.
"""

import numpy as np

from gridtools.sensor.trials import Trials

FOUND = np.array([15, 22, 15, 11, 2, 1, 0, 2])
PRESENT = np.array([17, 22, 25, 20, 16, 15, 18, 17])
BIN_M = 2.5
#: Computed from the bins: each side of the line counts, hence the factor of two.
WIDTH_M = 2 * BIN_M * float((FOUND / PRESENT).sum())


def trials():
    """Every stake as one pass at the middle of its bin."""
    middle = (np.arange(8) + 0.5) * BIN_M
    hit = [k < found for found, n in zip(FOUND, PRESENT, strict=True) for k in range(n)]
    return Trials.build(np.repeat(middle, PRESENT), hit)
