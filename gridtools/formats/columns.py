"""Columns of numpy arrays from what readers collect."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


def text_column(values: Sequence[str]) -> NDArray[np.object_]:
    """Column of text (n,).

    Examples
    --------
    >>> text_column(["1-001", ""])
    array(['1-001', ''], dtype=object)
    """
    out = np.empty(len(values), dtype=np.object_)
    out[:] = values
    return out
