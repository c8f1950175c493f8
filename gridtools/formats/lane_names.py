"""Lanes by the names that people write: ``1-3`` for 1-003, a split lane for all its legs."""

import re
from collections import defaultdict

from gridtools.errors import InputError, quote
from gridtools.layers import Lanes
from gridtools.units import format_length

# Pass and number; an infill lane has an i before its number, a recheck lane is r and a number.
LANE = r"(?:\d+-i?\d+[a-z]*|r\d+[a-z]*)"
_NAME = re.compile(r"((?:\d+-)?[a-z]?)(\d+)([a-z]*)")
_SLACK_M = 1.0
_SLACK_SHARE = 0.02

_Key = tuple[str, int, tuple[int, str]]


class LaneNames:
    """Lanes of a job, found by name.

    Examples
    --------
    >>> import shapely
    >>> line = shapely.LineString([(0, 0), (50, 0)])
    >>> lanes = Lanes.build(geometry=[line] * 3, lane_id=["1-001", "1-002a", "1-002b"])
    >>> names = LaneNames(lanes)
    >>> names.find("1-2"), names.between("1-1", "1-2a")
    (('1-002a', '1-002b'), ('1-001', '1-002a'))
    """

    def __init__(self, lanes: Lanes) -> None:
        length_m = [float(line.length) for line in lanes.geometry]
        self.length_m: dict[str, float] = dict(zip(lanes.lane_id, length_m, strict=True))
        self._legs: dict[tuple[str, int], list[str]] = defaultdict(list)
        self._keys: dict[_Key, str] = {}
        for lane_id in lanes.lane_id:
            key = _key(lane_id)
            if key is not None:
                self._keys[key] = lane_id
        for key in sorted(self._keys):
            self._legs[key[:2]].append(self._keys[key])

    def find(self, text: str) -> tuple[str, ...]:
        """Ids of a lane, or of all legs of a split one.

        Raises
        ------
        InputError
            If there is no such lane.
        """
        key = _key(text)
        if key is None:
            raise InputError(f"{quote(text)} is not the name of a lane, as in 1-003")
        if key in self._keys:
            return (self._keys[key],)
        if key[2] == _NO_LEG and key[:2] in self._legs:
            return tuple(self._legs[key[:2]])
        raise InputError(f"there is no lane {quote(text)[1:-1]}")

    def one(self, text: str) -> str:
        """Id of a lane that is not split, or of one leg.

        Raises
        ------
        InputError
            If there is no such lane, or it is split into legs.
        """
        ids = self.find(text)
        if len(ids) > 1:
            raise InputError(f"lane {text} is split into {', '.join(ids)}: name one of them")
        return ids[0]

    def between(self, first: str, last: str) -> tuple[str, ...]:
        """Ids of all lanes from one to another, both included, downwards if so given.

        Raises
        ------
        InputError
            If either does not exist, or they are of different passes.
        """
        # A split lane is met whole at either end of the range.
        ends = sorted((self.find(first), self.find(last)), key=lambda ids: _key(ids[0]) or _LAST)
        low, high = _key(ends[0][0]) or _LAST, _key(ends[1][-1]) or _LAST
        if low[0] != high[0]:
            raise InputError(f"{first} and {last} are not lanes of one pass")
        ids = [self._keys[k] for k in sorted(self._keys) if low <= k <= high]
        return tuple(ids if self.find(first) == ends[0] else reversed(ids))

    def of_pass(self, pass_no: int) -> tuple[str, ...]:
        """Ids of all lanes of a pass, infill left out.

        Raises
        ------
        InputError
            If the pass has none.
        """
        ids = tuple(self._keys[k] for k in sorted(self._keys) if k[0] == f"{pass_no}-")
        if not ids:
            raise InputError(f"there are no lanes of pass {pass_no}")
        return ids

    def chainage(self, lane_id: str, chainage_m: float) -> float:
        """Chainage brought onto the lane: a tape reads a little long over rough ground.

        Raises
        ------
        InputError
            If it is negative, or beyond the end by more than 1 m and 2 % of the length.
        """
        length_m = self.length_m[lane_id]
        if not 0.0 <= chainage_m <= length_m * (1.0 + _SLACK_SHARE) + _SLACK_M:
            far = abs(chainage_m) > _FARTHEST_M
            said = "of over 1,000 km" if far else format_length(chainage_m, 1)
            raise InputError(
                f"chainage {said} is not on lane {lane_id}, "
                f"which is {format_length(length_m, 1)} long"
            )
        return min(chainage_m, length_m)


_NO_LEG = (0, "")
# More digits than Python turns into a number would stop it.
_LONGEST_NAME = 1000
_FARTHEST_M = 1e6
_LAST: _Key = ("~", 0, _NO_LEG)


def _key(text: str) -> _Key | None:
    """Group, number and leg of a name, so that they sort as lanes do."""
    match = _NAME.fullmatch(text.strip().lower())
    if match is None or len(text) > _LONGEST_NAME:
        return None
    group, number, leg = match.groups()
    return group, int(number), (len(leg), leg)
