"""From approaches to pinpoints: centre and depth, and what would make them surer."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.layers import Approaches, Candidates, DepthFactors, Pinpoints, Sessions
from gridtools.targets.centre import Centre, fit_centre
from gridtools.targets.depth import depth_of, factor_in_use
from gridtools.targets.marks import Marks
from gridtools.units import bearing_of, counted, listed, unit_vector

#: Error of telling where a response starts, and where its middle is; of a place that was taped or
#: surveyed; of a GPS mark where nothing is known of it (common practice, no source).
ONSET_SD_M = 0.2
FLAG_SD_M = 0.3
TAPE_SD_M = 0.1
GPS_SD_M = 0.5
#: An approach that began less than this many times the onset distance out reads shallow.
START_FACTOR = 2.0
_EXPECTED_SD_M = 1.0
ONSET, CENTRE, TAPE, GPS = "onset", "centre", "tape", "gps"
Real = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """Pinpoints, and what to say of them."""

    pinpoints: Pinpoints
    notices: tuple[str, ...]


def find_pinpoints(
    approaches: Approaches,
    candidates: Candidates,
    sessions: Sessions,
    factors: DepthFactors,
    *,
    carry_height_m: float = 0.0,
    fix_accuracy_m: float | None = None,
    heading_offset_m: float = 0.0,
) -> Found:
    """Pinpoint of every candidate that has an onset or a flagged centre.

    Parameters
    ----------
    approaches
        Onsets and flags; those struck out do not count.
    candidates
        Candidates approached.
    sessions
        Sessions: instrument and set-up, and where the coils are from the antenna.
    factors
        Depth factors learned so far.
    carry_height_m
        Height of the coils above the ground.
    fix_accuracy_m
        Standard error of a GPS mark, each axis, where neither mark nor session says.
    heading_offset_m
        How far along the heading GPS marks of onsets lie late.

    Examples
    --------
    >>> xy = [[10.0, 8.5], [8.5, 10.0], [10.0, 11.5], [11.5, 10.0]]
    >>> four = Approaches.build(
    ...     geometry=shapely.points(xy), approach_id=["A001", "A002", "A003", "A004"],
    ...     candidate_id="C001", kind="onset", heading_deg=[0.0, 90.0, 180.0, 270.0],
    ...     start_distance_m=5.0, placed="survey")
    >>> thought = Candidates.build(geometry=shapely.points([[9.6, 10.2]]), candidate_id=["C001"])
    >>> found = find_pinpoints(four, thought, Sessions.empty(), DepthFactors.empty()).pinpoints
    >>> found.depth_m.round(6).tolist(), found.basis[0]
    ([1.5], 'offset rule, factor 1.00 (0.50 to 2.00; common practice, no source), 4 approaches')
    """
    live = approaches.take(~approaches.struck)
    rows, notices = [], []
    for candidate in sorted(set(live.candidate_id)):
        at = np.flatnonzero(candidates.candidate_id == candidate)
        if not len(at):
            notices.append(f"{candidate}: approached, but no longer among the candidates")
            continue
        mine = live.take(live.candidate_id == candidate)
        row, said = _pinpoint(
            mine,
            candidates.take(at[:1]),
            sessions,
            factors,
            carry_height_m,
            fix_accuracy_m,
            heading_offset_m,
        )
        rows.append(row)
        notices += [f"{candidate}: {text}" for text in said]
    return Found(pinpoints=Pinpoints.concat(rows), notices=tuple(notices))


def _pinpoint(
    mine: Approaches,
    candidate: Candidates,
    sessions: Sessions,
    factors: DepthFactors,
    carry_height_m: float,
    fix_accuracy_m: float | None,
    heading_offset_m: float,
) -> tuple[Pinpoints, list[str]]:
    """Pinpoint of one candidate, and what to say of it."""
    session = np.array([_session_row(sessions, s) for s in mine.session_id], dtype=np.int64)
    sd = _place_sd(mine, sessions, session, fix_accuracy_m)
    expected = shapely.get_coordinates(candidate.geometry)[0]
    xy = _coil_xy(mine, sessions, session, expected, heading_offset_m)
    onset, flag = mine.kind == ONSET, mine.kind == CENTRE
    sigma = float(candidate.sigma_m[0])
    expected_sd = sigma if np.isfinite(sigma) and sigma > 0 else _EXPECTED_SD_M

    def fitted(short: NDArray[np.bool_]) -> Centre:
        return fit_centre(
            Marks(
                xy=xy[onset],
                heading_deg=mine.heading_deg[onset],
                sd_m=np.hypot(sd[onset], ONSET_SD_M),
                group=_groups(mine.take(onset), short),
                flag_xy=xy[flag],
                flag_sd_m=np.hypot(sd[flag], FLAG_SD_M),
                expected_xy=expected,
                expected_sd_m=expected_sd,
            )
        )

    start = mine.start_distance_m[onset]
    centre = fitted(np.zeros(len(start), dtype=np.bool_))
    short = start < START_FACTOR * centre.distance_m
    if short.any() and not short.all():
        centre = fitted(short)
    instrument, tuning = "", ""
    if (session >= 0).any():
        last = session[session >= 0][-1]
        instrument, tuning = str(sessions.instrument[last]), str(sessions.tuning[last])
    factor = factor_in_use(factors, instrument, tuning)
    depth, depth_sd, onset_m, onset_sd = np.nan, np.nan, np.nan, np.nan
    basis = "no depth: no onset marked"
    used = centre.kept & ~short if (centre.kept & ~short).any() else centre.kept
    if used.any():
        group = _groups(mine.take(onset), short if not short.all() else ~short)[used]
        onset_m = float(centre.onset_m[group].mean())
        onset_sd = float(np.sqrt((centre.onset_sd_m[group] ** 2).mean()))
        depth, depth_sd = depth_of(max(onset_m, 0.0), onset_sd, factor, carry_height_m)
        basis = (
            f"offset rule, factor {factor.value:.2f} ({factor.low:.2f} to {factor.high:.2f}; "
            f"{factor.basis}), {counted(int(used.sum()), 'approach')}"
        )
        if short.all():
            basis = f"at least: each approach began too near; {basis}"
        elif np.isnan(start[used]).all():
            basis += ", how far off they began not noted"
    # Taped onsets move together with the flag that they were taped from.
    taped = (mine.placed == TAPE).all() and bool(onset.any())
    common = (fix_accuracy_m or GPS_SD_M) * np.sqrt(-2 * np.log(0.1)) if taped else 0.0
    ids = np.concatenate([mine.approach_id[onset], mine.approach_id[flag]])
    kept = np.concatenate([centre.kept, centre.kept_flags])
    said = _findings(centre, ids, kept)
    if onset.any() and short.any():
        near = mine.approach_id[onset][short]
        said.append(
            f"{listed(near.tolist())} began less than twice the onset distance out: reads shallow"
        )
    missing = _missing(centre, mine.heading_deg[onset], bool(short.all()))
    row = Pinpoints.build(
        geometry=np.asarray(shapely.points(centre.xy[None])),
        candidate_id=candidate.candidate_id,
        approaches=int(kept.sum()),
        semi_major_m=float(np.hypot(centre.semi_major_m, common)),
        semi_minor_m=float(np.hypot(centre.semi_minor_m, common)),
        axis_deg=centre.axis_deg,
        onset_m=onset_m,
        onset_sd_m=onset_sd,
        depth_m=depth,
        depth_sd_m=depth_sd,
        carry_height_m=carry_height_m,
        basis=basis,
        disagree=", ".join(ids[~kept] if centre.consistent else ids),
        missing=missing,
        instrument=instrument,
        tuning=tuning,
    )
    return row, [*said, *([missing] if missing else [])]


def _session_row(sessions: Sessions, session_id: str) -> int:
    found = np.flatnonzero(sessions.session_id == session_id)
    return int(found[0]) if len(found) else -1


def _place_sd(
    mine: Approaches, sessions: Sessions, session: NDArray[np.int64], otherwise: float | None
) -> Real:
    """Standard errors (n,) of places: as the mark says, or its session, or as is usual."""
    sd = np.full(len(mine), TAPE_SD_M)
    gps = mine.placed == GPS
    sd[gps] = GPS_SD_M if otherwise is None else otherwise
    if otherwise is None and len(sessions):
        known = np.where(session >= 0, sessions.accuracy_m[session], np.nan)
        sd[gps & np.isfinite(known)] = known[gps & np.isfinite(known)]
    stated = np.isfinite(mine.accuracy_m)
    sd[stated] = mine.accuracy_m[stated]
    return sd


def _coil_xy(
    mine: Approaches,
    sessions: Sessions,
    session: NDArray[np.int64],
    expected: Real,
    heading_offset_m: float,
) -> Real:
    """Places (n, 2) of the coil midpoint: marks made by GPS are those of the antenna.

    A flag is marked where it stands.
    """
    xy = shapely.get_coordinates(mine.geometry)
    heading = np.where(
        np.isfinite(mine.heading_deg), mine.heading_deg, bearing_of(*(expected - xy).T)
    )
    ahead, right = np.zeros(len(mine)), np.zeros(len(mine))
    if len(sessions):
        known = session >= 0
        ahead[known] = np.nan_to_num(sessions.ahead_m[session[known]])
        right[known] = np.nan_to_num(sessions.right_m[session[known]])
    moved = ((mine.placed == GPS) & (mine.kind == ONSET))[:, None]
    forward = (ahead - heading_offset_m)[:, None] * unit_vector(heading)
    return np.asarray(xy + moved * (forward + right[:, None] * unit_vector(heading + 90.0)))


def _groups(onsets: Approaches, short: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Group (n,) of each onset: one leading coil, one session, begun far enough off or not."""
    keys = [
        (coil, session, bool(s))
        for coil, session, s in zip(onsets.leading_coil, onsets.session_id, short, strict=True)
    ]
    number = {key: i for i, key in enumerate(sorted(set(keys)))}
    return np.array([number[key] for key in keys], dtype=np.int64)


def _findings(centre: Centre, ids: NDArray[np.object_], kept: NDArray[np.bool_]) -> list[str]:
    said = []
    if not kept.all():
        said.append(f"{listed(ids[~kept].tolist())} out of line with the others, left out")
    if not centre.consistent:
        said.append(
            f"{listed(ids.tolist())} do not agree within their errors: walk one more approach"
        )
    if np.isfinite(centre.long_m):
        said.append(
            f"onsets lie {centre.long_m:.1f} m further out along {centre.long_deg:.0f} degrees and "
            "its opposite than across: the object is long or dips, or one of them is mistaken"
        )
    return said


def _missing(centre: Centre, heading_deg: Real, short: bool) -> str:
    """What would make the pinpoint surer; empty if nothing."""
    if not len(heading_deg):
        return "flagged only: mark onsets, which give the depth and test the place"
    wanted = []
    if centre.leans:
        wanted.append(
            "approached from one side only, so the place leans on that of the candidate: mark an "
            "onset from the opposite side and from across"
        )
    elif not centre.surrounded:
        wanted.append("not approached from all sides: mark onsets from opposite sides and across")
    if short:
        wanted.append("begin at least twice as far out")
    return "; ".join(wanted)
