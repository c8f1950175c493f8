"""How the walking stands: lanes done, short and to walk, pass by pass, and what is left."""

from dataclasses import dataclass

import numpy as np

from gridtools.coverage.infill import WALKED, to_walk
from gridtools.coverage.progress import lane_progress
from gridtools.layers import Infill, Lanes, Recheck, Runs
from gridtools.plan.effort import walking_seconds


@dataclass(frozen=True, kw_only=True)
class Standing:
    """One kind of lane: a pass, infill or recheck.

    Attributes
    ----------
    kind
        ``pass 1``, ``pass 2``, ``infill`` or ``recheck``.
    done
        Number of lanes that count as walked.
    short
        Lanes of which accepted runs span only a part.
    to_walk
        Lanes without an accepted run.
    left_m, left_s
        Length still to walk, and the time that it takes.
    """

    kind: str
    done: int
    short: tuple[str, ...]
    to_walk: tuple[str, ...]
    left_m: float
    left_s: float

    @property
    def begun(self) -> bool:
        """Whether any of it was walked."""
        return bool(self.done or self.short)


def standing(
    lanes: Lanes, infill: Infill, recheck: Recheck, runs: Runs, *, speed_mps: float
) -> list[Standing]:
    """Where the walking of each kind of lane stands, kinds without lanes left out.

    Examples
    --------
    >>> import shapely
    >>> line = shapely.LineString([(0, 0), (0, 120)])
    >>> lanes = Lanes.build(geometry=[line] * 2, lane_id=["1-001", "1-002"], pass_no=1,
    ...     length_m=120.0)
    >>> runs = Runs.build(geometry=[line], lane_id="1-001", accepted=True)
    >>> (one,) = standing(lanes, Infill.empty(), Recheck.empty(), runs, speed_mps=1.2)
    >>> one.done, one.to_walk, one.left_s
    (1, ('1-002',), 110.0)
    """
    kinds = {
        **{f"pass {n}": lanes.take(lanes.pass_no == n) for n in np.unique(lanes.pass_no).tolist()},
        "infill": Lanes.joined(to_walk(infill)),
        "recheck": Lanes.joined(to_walk(recheck)),
    }
    # What coverage found walked is done, though a run may span a part of the lane only.
    before = {"infill": int((infill.reason == WALKED).sum())}
    found = []
    for kind, layer in kinds.items():
        if not (len(layer) or before.get(kind)):
            continue
        progress = lane_progress(layer, runs)
        left_m = progress.left_m
        found.append(
            Standing(
                kind=kind,
                done=before.get(kind, 0) + int(progress.done.sum()),
                short=tuple(progress.lane_id[progress.short].tolist()),
                to_walk=tuple(progress.lane_id[progress.untouched].tolist()),
                left_m=left_m,
                left_s=walking_seconds(left_m, 0.0, int((~progress.done).sum()), speed_mps)
                if left_m
                else 0.0,
            )
        )
    return found
