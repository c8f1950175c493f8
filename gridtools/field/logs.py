"""What every reader of a log returns, whatever the format.

Positions are in metres in the job's metric CRS, times in UTC. A reader says what stands in the
log; ids, duplicates and places on the track are the business of `gridtools.field.intake`.
"""

from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from gridtools.errors import InputError

Xy = NDArray[np.float64]
Reals = NDArray[np.float64]
Times = NDArray[np.datetime64]
Texts = NDArray[np.object_]
Wholes = NDArray[np.int64]


def _xy() -> Xy:
    return np.empty((0, 2))


def _reals() -> Reals:
    return np.empty(0)


def _times() -> Times:
    return np.empty(0, dtype="datetime64[ms]")


def _texts() -> Texts:
    return np.empty(0, dtype=np.object_)


def _wholes() -> Wholes:
    return np.empty(0, dtype=np.int64)


@dataclass(frozen=True, kw_only=True, eq=False)
class RawLog:
    """Fixes, hits, tape rows and lane marks of one log, as logged.

    Unknown text is ``""``, an unknown measure NaN, an unknown time NaT. All columns of one group
    (``fix_``, ``hit_``, ``tape_``, ``mark_``) have one length; a group left out is empty.

    Attributes
    ----------
    fix_xy
        Positions of the antenna (n, 2).
    fix_time
        Their times (n,).
    fix_track
        Name of the track that each fix belongs to (n,).
    fix_segment
        Track segment of each fix (n,): between two segments the fixes are broken.
    hit_xy
        Positions of hits (m, 2), NaN where the log gives none.
    hit_time
        Their times (m,).
    hit_part
        ``start``, ``peak``, ``end`` or empty (m,).
    hit_strength
        Strength as logged (m,).
    hit_note
        Remark (m,).
    hit_lane, hit_chainage_m
        Lane, and distance along it, of hits logged with a tape (m,).
    hit_direction
        ``forward`` or ``backward`` along that lane, or empty (m,).
    tape_lane, tape_from_m, tape_to_m, tape_time
        Stretches of lane walked (k,); ``tape_to_m`` below ``tape_from_m`` if walked backwards.
    mark_lane, mark_time
        Lane that the walker stated, and from when (p,).
    notices
        What the log held but was not taken, and why.

    Raises
    ------
    InputError
        If the columns of a group differ in length.

    Examples
    --------
    >>> log = RawLog(
    ...     tape_lane=np.array(["1-001"], dtype=object),
    ...     tape_from_m=np.array([0.0]),
    ...     tape_to_m=np.array([50.0]),
    ...     tape_time=np.array(["NaT"], dtype="datetime64[ms]"),
    ... )
    >>> len(log.tape_lane), len(log.fix_xy)
    (1, 0)
    """

    fix_xy: Xy = field(default_factory=_xy)
    fix_time: Times = field(default_factory=_times)
    fix_track: Texts = field(default_factory=_texts)
    fix_segment: Wholes = field(default_factory=_wholes)
    hit_xy: Xy = field(default_factory=_xy)
    hit_time: Times = field(default_factory=_times)
    hit_part: Texts = field(default_factory=_texts)
    hit_strength: Reals = field(default_factory=_reals)
    hit_note: Texts = field(default_factory=_texts)
    hit_lane: Texts = field(default_factory=_texts)
    hit_chainage_m: Reals = field(default_factory=_reals)
    hit_direction: Texts = field(default_factory=_texts)
    tape_lane: Texts = field(default_factory=_texts)
    tape_from_m: Reals = field(default_factory=_reals)
    tape_to_m: Reals = field(default_factory=_reals)
    tape_time: Times = field(default_factory=_times)
    mark_lane: Texts = field(default_factory=_texts)
    mark_time: Times = field(default_factory=_times)
    notices: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for group in ("fix", "hit", "tape", "mark"):
            names = [f.name for f in fields(self) if f.name.startswith(group + "_")]
            if len({len(getattr(self, name)) for name in names}) > 1:
                raise InputError(f"log: columns {', '.join(names)} differ in length")
