"""Approach points taken in: tied to candidates, taped ones placed, repeats left out."""

from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.errors import InputError
from gridtools.layers import Approaches, Candidates
from gridtools.targets.identity import next_number
from gridtools.targets.pinpoints import CENTRE, ONSET, TAPE
from gridtools.units import counted, listed, unit_vector

#: A point that names no candidate belongs to the nearest one, if that is no further than this.
REACH_M = 6.0
_SAME_M = 0.01
Real = NDArray[np.float64]


class Taken(NamedTuple):
    """New approaches, how many the job had before, and what to say."""

    new: Approaches
    repeated: int
    notices: list[str]


def take_in_approaches(
    read: Approaches,
    place: NDArray[np.object_],
    candidates: Candidates,
    before: Approaches,
) -> Taken:
    """Approaches to add to those that the job has.

    Parameters
    ----------
    read
        Approaches as read, without ids; an empty point where only a tape gives the place.
    place
        Where in the file each stands (n,).
    candidates, before
        What the job holds.

    Raises
    ------
    InputError
        If a point names a candidate that is not there, or none is near it.
    """
    live = candidates.take(candidates.status != "gone")
    if not len(live):
        raise InputError("the job has no candidates to approach yet: find them first")
    xy = np.full((len(read), 2), np.nan)
    placed = ~shapely.is_empty(read.geometry)
    xy[placed] = shapely.get_coordinates(read.geometry)
    known = {int(c[1:]): c for c in live.candidate_id}
    at = shapely.get_coordinates(live.geometry)
    ids = read.candidate_id.copy()
    tied: dict[str, int] = {}
    for i, text in enumerate(ids):
        if text:
            number = int(text[1:]) if text[1:].isdecimal() else -1
            if text[:1] != "C" or number not in known:
                raise InputError(f"{place[i]}: the job has no candidate {text}")
            ids[i] = known[number]
            continue
        away = np.linalg.norm(at - xy[i], axis=1)
        if away.min() > REACH_M:
            raise InputError(
                f"{place[i]}: no candidate within {REACH_M:g} m; name the one approached"
            )
        ids[i] = live.candidate_id[away.argmin()]
        tied[ids[i]] = tied.get(ids[i], 0) + 1
    notices = []
    if tied:
        shares = [f"{number} to {name}" for name, number in sorted(tied.items())]
        notices.append(
            f"{counted(sum(tied.values()), 'mark')} without a candidate tied to the nearest one: "
            f"{listed(shares, 8)}"
        )
    flags = {
        **dict(zip(live.candidate_id, at, strict=True)),
        **_flags(before.take(~before.struck)),
        **_flags(read.with_columns(candidate_id=ids)),
    }
    flagged = {c for c in flags if c in set(ids[read.kind == CENTRE])}
    flagged |= set(before.candidate_id[(before.kind == CENTRE) & ~before.struck])
    tape = (read.kind == ONSET) & np.isfinite(read.distance_m) & np.isfinite(read.heading_deg)
    tape &= ~placed | np.array([i in flagged for i in ids], dtype=np.bool_)
    if tape.any():
        flag = np.array([flags[i] for i in ids[tape]])
        xy[tape] = flag - read.distance_m[tape, None] * unit_vector(read.heading_deg[tape])
        if loose := sorted(set(ids[tape]) - flagged):
            notices.append(f"no flag marked, so taped from the candidate's place: {listed(loose)}")
    new = read.with_columns(
        geometry=np.asarray(shapely.points(xy)),
        candidate_id=ids,
        placed=np.where(tape, TAPE, read.placed),
    )
    seen = {_key(before, i) for i in range(len(before))}
    fresh = []
    for i in range(len(new)):
        key = _key(new, i)
        if key not in seen:
            fresh.append(i)
            seen.add(key)
    struck = {
        _key(before, i): before.approach_id[i] for i in np.flatnonzero(before.struck).tolist()
    }
    if again := sorted({struck[k] for i in range(len(new)) if (k := _key(new, i)) in struck}):
        notices.append(f"{listed(again)} stays struck out: walk that approach again")
    number = next_number(before.approach_id)
    added = new.take(fresh)
    added = added.with_columns(
        approach_id=[f"A{number + i:03d}" for i in range(len(added))], struck=False
    )
    return Taken(added, len(new) - len(added), notices)


def _flags(rows: Approaches) -> dict[str, Real]:
    """Place of the last flag of each candidate."""
    flags = rows.take(rows.kind == CENTRE)
    at = shapely.get_coordinates(flags.geometry)
    return dict(zip(flags.candidate_id, at, strict=True))


def _key(rows: Approaches, i: int) -> tuple[object, ...]:
    """What makes two rows the same mark."""
    place = np.round(shapely.get_coordinates(rows.geometry[i])[0] / _SAME_M).tolist()
    measures = (rows.heading_deg[i], rows.distance_m[i], rows.start_distance_m[i])
    texts = (rows.candidate_id[i], rows.kind[i], rows.leading_coil[i])
    return (*texts, *place, *(round(float(m), 3) if m == m else None for m in measures))
