"""One outing as the user describes it, and the layers that outings fill."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridtools.columns import feature_id
from gridtools.errors import InputError
from gridtools.field.checks import StatedCheck
from gridtools.layers import Checks, Fixes, Hits, Sessions, Tape

TUNINGS = ("motion", "static")
POSITIONS = ("gps", "lane")


@dataclass(frozen=True, kw_only=True)
class Outing:
    """What the user says about the outing that a log is from.

    Attributes
    ----------
    log_id
        Log that the rows come from.
    operator, instrument, note
        As given.
    tuning
        ``motion`` or ``static``.
    positions
        ``gps``, or ``lane`` where the lane itself gives the position.
    ahead_m, right_m
        Coil midpoint ahead of the GPS antenna and to its right.
    accuracy_m
        Standard error of a fix, each axis; NaN if unknown.
    check_start, check_finish
        Whether the function check before and after passed; None if it is not told.
    checks
        Further checks, each for the sessions within a field day of it.

    Raises
    ------
    InputError
        If `tuning` or `positions` is not one of the words above.
    """

    log_id: str
    operator: str = ""
    instrument: str = ""
    tuning: str = "motion"
    positions: str = "gps"
    ahead_m: float = 0.0
    right_m: float = 0.0
    accuracy_m: float = float("nan")
    check_start: bool | None = None
    check_finish: bool | None = None
    checks: tuple[StatedCheck, ...] = ()
    note: str = ""

    def __post_init__(self) -> None:
        if self.tuning not in TUNINGS:
            raise InputError(f"tuning is {' or '.join(TUNINGS)}, not {self.tuning!r}")
        if self.positions not in POSITIONS:
            raise InputError(f"positions is {' or '.join(POSITIONS)}, not {self.positions!r}")

    @property
    def has_checks(self) -> bool:
        """Whether any check is told."""
        return not (self.check_start is self.check_finish is None and not self.checks)


@dataclass(frozen=True, eq=False, kw_only=True)
class Walked:
    """What the job holds of the walk so far."""

    sessions: Sessions
    checks: Checks
    fixes: Fixes
    tape: Tape
    hits: Hits

    @classmethod
    def nothing(cls) -> "Walked":
        """A job in which nothing was walked yet."""
        return cls(
            sessions=Sessions.empty(),
            checks=Checks.empty(),
            fixes=Fixes.empty(),
            tape=Tape.empty(),
            hits=Hits.empty(),
        )

    def unstruck(self) -> "Walked":
        """The same without what sessions brought that were struck out."""
        struck = self.sessions.session_id[self.sessions.struck].astype(str)

        def stands(session_id: NDArray[np.object_]) -> NDArray[np.bool_]:
            return ~np.isin(session_id.astype(str), struck)

        return Walked(
            sessions=self.sessions.take(~self.sessions.struck),
            checks=self.checks.take(stands(self.checks.session_id)),
            fixes=self.fixes.take(stands(self.fixes.session_id)),
            tape=self.tape.take(stands(self.tape.session_id)),
            hits=self.hits.take(stands(self.hits.session_id)),
        )

    def plus(self, new: "Walked") -> "Walked":
        """These rows, then those of `new`."""
        return Walked(
            sessions=Sessions.concat([self.sessions, new.sessions]),
            checks=Checks.concat([self.checks, new.checks]),
            fixes=Fixes.concat([self.fixes, new.fixes]),
            tape=Tape.concat([self.tape, new.tape]),
            hits=Hits.concat([self.hits, new.hits]),
        )


def next_ids(letter: str, existing: NDArray[np.object_], count: int, digits: int) -> list[str]:
    """Ids that follow the existing ones.

    Examples
    --------
    >>> next_ids("K", np.array(["K001", "K002"], dtype=object), 2, 3)
    ['K003', 'K004']
    """
    # Ids have leading zeros, so the longest and then the greatest text has the highest number.
    last = feature_id(max(existing, key=lambda name: (len(name), name))) if len(existing) else 0
    form = f"{letter}%0{digits}d"
    return [form % n for n in range(last + 1, last + 1 + count)]
