"""What people wrote into a derived layer, carried over when its rows are replaced."""

from typing import Any, NamedTuple, TypeVar

import numpy as np

from gridtools.columns import Layer

OPEN, GONE = "open", "gone"

L = TypeVar("L", bound=Layer)


class CarriedOver(NamedTuple):
    """New rows with their kept values, and positions among the old rows of those to keep."""

    layer: Any
    gone: list[int]


def carry_over(old: L, new: L) -> CarriedOver:
    """Give new rows the kept values of the old rows of the same id.

    A kept value of the old row wins over one in the new row. A new row without a status is
    open, and so is one that was gone and has come back, unless it is given as gone. An old row
    that is not among the new ones but in which somebody wrote is to stay as gone.

    Examples
    --------
    >>> from gridtools.layers import Candidates
    >>> from shapely import Point
    >>> place = [Point(0, 0)]
    >>> old = Candidates.build(candidate_id=["C001"], note=["by the gate"], geometry=place)
    >>> new = Candidates.build(candidate_id=["C001"], rank=[1], geometry=place)
    >>> layer, gone = carry_over(old, new)
    >>> layer.status.tolist(), layer.note.tolist(), gone
    (['open'], ['by the gate'], [])
    """
    kept = [column.name for column in new.columns() if column.kept]
    if not kept or new.id_column is None:
        return CarriedOver(new, [])
    row_of = {row_id: i for i, row_id in enumerate(getattr(old, new.id_column))}
    ids = getattr(new, new.id_column)
    came_from = [row_of.get(row_id) for row_id in ids]
    carried = {}
    for name in kept:
        before, given = getattr(old, name), getattr(new, name)
        values = np.empty(len(ids), dtype=np.object_)
        for i, row in enumerate(came_from):
            values[i] = (_written(name, before[row]) if row is not None else "") or given[i]
            if name == "status" and values[i] in ("", GONE) and given[i] != GONE:
                values[i] = OPEN
        carried[name] = values
    new_ids = set(ids)
    gone = [
        i
        for row_id, i in row_of.items()
        if row_id not in new_ids and any(_written(name, getattr(old, name)[i]) for name in kept)
    ]
    return CarriedOver(new.with_columns(**carried), gone)


def _written(name: str, value: str) -> str:
    """Kept value that a person wrote, or empty: rows begin as open."""
    return "" if name == "status" and value == OPEN else value
