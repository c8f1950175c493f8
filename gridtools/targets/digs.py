"""From candidates and pinpoints to a ranked dig list. What it rests on is in docs/digging.md."""

from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.errors import InputError, quote
from gridtools.layers import (
    Candidates,
    DigPegs,
    Digs,
    Exclusion,
    Interference,
    Outcomes,
    Permits,
    Pinpoints,
)
from gridtools.targets import ranking
from gridtools.targets.dig_pegs import place_pegs
from gridtools.targets.holes import DEFAULT_SOIL, SIDE_SLOPE, SIGMAS_90, outlines, size_holes
from gridtools.targets.identity import next_number
from gridtools.targets.nearby import SERVICE, TOLERANCE_M, sources_near
from gridtools.targets.permits import lacking
from gridtools.targets.precautions import Facts, cautions, holds
from gridtools.targets.visiting import visiting_order

Real = NDArray[np.float64]

#: Cubic metres an hour, dug and filled back. By hand, for one person: estimating tables give about
#: 0.43 m³/h for pits in firm soil to 1.5 m and 1 to 1.7 m³/h for filling back (construction
#: planners' published tables). By a small excavator: common practice, no source.
RATE_M3PH = {"hand": 0.3, "machine": 4.0}
#: To set up, lift, re-check hole and spoil, and leave tidy, for each dig (common practice, no
#: source).
FIXED_HOURS = 0.5
#: Candidates with a smaller chance of metal are not listed unless they were before.
LEAST_CHANCE = 0.2
#: Height of an object that nobody has seen (assumed; common practice, no source).
OBJECT_HEIGHT_M = 0.6
OPEN, DUG, DROPPED, GONE = "open", "dug", "dropped", "gone"


@dataclass(frozen=True, kw_only=True)
class DigRules:
    """How digs are planned.

    Attributes
    ----------
    soil
        Class of the ground: rock, A, B or C.
    upright_to_m
        Holes no deeper than this have upright sides.
    by
        ``hand`` or ``machine``; near a service the hours are always those by hand.
    rate_m3ph
        Cubic metres an hour, dug and filled back; None for the rate of ``by``.
    tolerance_m
        Distance from a service within which digging is by hand.
    least_chance
        Least chance of metal of a new dig.
    required
        Kinds of permit that every dig needs.
    on
        Day on the spot on which it is to be dug, for the permits.
    pinpoint_factor, candidate_factor
        By how much errors of place on this ground exceed those stated, as outcomes have shown;
        one below 1 never makes a hole smaller.
    object_height_m
        Height of the object, assumed: the hole is that much deeper once it is freed. Cautions and
        holds count from there; the hole's size, volume and hours reach its top only.
    """

    soil: str = DEFAULT_SOIL
    upright_to_m: float = 0.0
    by: str = "hand"
    rate_m3ph: float | None = None
    tolerance_m: float = TOLERANCE_M
    least_chance: float = LEAST_CHANCE
    required: tuple[str, ...] = ()
    on: date = field(default_factory=lambda: datetime.now().astimezone().date())
    pinpoint_factor: float = 1.0
    candidate_factor: float = 1.0
    object_height_m: float = OBJECT_HEIGHT_M

    def __post_init__(self) -> None:
        if self.by not in RATE_M3PH:
            raise InputError(f"digging is by {' or '.join(RATE_M3PH)}, not by {quote(self.by)}")
        if self.rate_m3ph is not None and not self.rate_m3ph > 0:
            raise InputError("the rate of digging must be more than 0 m³ an hour")

    @property
    def rate(self) -> float:
        """Cubic metres an hour where nothing forbids the chosen way."""
        return RATE_M3PH[self.by] if self.rate_m3ph is None else self.rate_m3ph

    @property
    def hand_rate(self) -> float:
        """Cubic metres an hour where digging is by hand."""
        return self.rate if self.by == "hand" else RATE_M3PH["hand"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Ground:
    """What digs must keep clear of, and the leave to dig.

    Attributes
    ----------
    interference, exclusion, permits
        Layers of the job.
    site
        Outline of the site; None if there is none to keep within.
    no_go
        Ground not to be walked; None if there is none.
    """

    interference: Interference
    exclusion: Exclusion
    permits: Permits
    site: Any = None
    no_go: Any = None

    @property
    def walkable(self) -> Any:
        """Ground on which pegs may stand; None if anywhere."""
        if self.site is None or self.no_go is None:
            return self.site
        return shapely.difference(self.site, self.no_go)


@dataclass(frozen=True, kw_only=True, eq=False)
class DigPlan:
    """Digs in the order of their rank, then those dug, dropped or gone; pegs; what to know."""

    digs: Digs
    pegs: DigPegs
    notices: tuple[str, ...]


def plan_digs(
    candidates: Candidates,
    pinpoints: Pinpoints,
    ground: Ground,
    rules: DigRules,
    *,
    previous: Digs | None = None,
    outcomes: Outcomes | None = None,
    budget_hours: float | None = None,
) -> DigPlan:
    """Dig list: one dig for each candidate worth it, ranked, with its hole, cautions and holds.

    Parameters
    ----------
    candidates, pinpoints
        What was found; a candidate without a pinpoint is on hold.
    ground
        Services, exclusions and permits.
    rules
        Ground class, rates, thresholds.
    previous
        Digs of an earlier call. A dig keeps its number for ever. One that is dug or dropped stays
        as it was; one whose candidate is gone, or was dropped, stays as gone.
    outcomes
        What came out so far.
    budget_hours
        Pick the best set that fits into these hours; None picks all that are ready.

    Raises
    ------
    InputError
        If a rule cannot be used.
    """
    previous = Digs.empty() if previous is None else previous
    outcomes = Outcomes.empty() if outcomes is None else outcomes
    status = np.array([s.strip().lower() for s in previous.status], dtype=np.object_)
    closed = np.isin(status, (DUG, DROPPED))
    row_of = {c: i for i, c in enumerate(previous.candidate_id)}
    before = np.array([row_of.get(c, -1) for c in candidates.candidate_id], dtype=np.int64)
    known = before >= 0
    listed = ~np.isin(candidates.status, (GONE, DROPPED))
    listed &= ~(candidates.status == DUG) | known
    listed &= known | (candidates.p_metal >= rules.least_chance)
    listed &= ~(known & closed[before]) if len(previous) else True
    chosen = candidates.take(listed)
    live = _live(chosen, before[listed], pinpoints, ground, rules, previous, outcomes)
    live = _ordered(live, chosen, ground, budget_hours)
    rest = previous.take(np.setdiff1d(np.arange(len(previous)), before[listed]))
    rest = rest.take(np.argsort(rest.dig_id, kind="stable"))
    still = np.isin([s.strip().lower() for s in rest.status], (DUG, DROPPED))
    rest = rest.with_columns(
        rank=len(live) + 1 + np.arange(len(rest)),
        picked=False,
        visit=0,
        status=np.where(still, rest.status, GONE),
        recheck=[last_recheck(outcomes, dig) for dig in rest.dig_id],
    )
    sized = live.take(np.isfinite(live.volume_m3))
    xy = shapely.get_coordinates(sized.geometry)
    # Outside the hole as it will be when the object is freed, or the last lift takes the pegs.
    wider = 2.0 * SIDE_SLOPE[rules.soil] * rules.object_height_m
    pegs = place_pegs(
        sized.dig_id,
        xy,
        outlines(xy, sized.top_length_m + wider, sized.top_width_m + wider, sized.axis_deg),
        sized.axis_deg,
        ground.walkable,
    )
    return DigPlan(
        digs=Digs.concat([live, rest]), pegs=pegs, notices=tuple(_notices(live, rules, status))
    )


def last_recheck(outcomes: Outcomes, dig_id: str) -> str:
    """What the re-check after the last lift of a dig said; empty before any.

    Examples
    --------
    >>> last_recheck(Outcomes.empty(), "D001")
    ''
    """
    rows = outcomes.take((outcomes.dig_id == dig_id) & ~outcomes.struck)
    if not len(rows):
        return ""
    return str(rows.recheck[-1]) or "not made"


def _live(
    chosen: Candidates,
    before: NDArray[np.int64],
    pinpoints: Pinpoints,
    ground: Ground,
    rules: DigRules,
    previous: Digs,
    outcomes: Outcomes,
) -> Digs:
    """Digs of the candidates chosen, in their order, not yet ranked."""
    number = next_number(previous.dig_id)
    new = np.cumsum(before < 0) - 1 + number
    ids = [previous.dig_id[b] if b >= 0 else f"D{n:03d}" for b, n in zip(before, new, strict=True)]
    expected = np.array([previous.expected[b] if b >= 0 else "" for b in before], dtype=np.object_)
    row_of = {c: i for i, c in enumerate(pinpoints.candidate_id)}
    pin = np.array([row_of.get(c, -1) for c in chosen.candidate_id], dtype=np.int64)
    pinpointed = pin >= 0

    def of_pin(column: NDArray[Any], otherwise: NDArray[Any]) -> NDArray[Any]:
        out = np.array(otherwise, copy=True)
        out[pinpointed] = column[pin[pinpointed]]
        return out

    unknown = np.full(len(chosen), np.nan)
    rough = SIGMAS_90 * chosen.sigma_m * max(rules.candidate_factor, 1.0)
    factor = max(rules.pinpoint_factor, 1.0)
    major = of_pin(pinpoints.semi_major_m * factor, unknown)
    minor = of_pin(pinpoints.semi_minor_m * factor, unknown)
    major, minor = (np.where(np.isfinite(half), half, rough) for half in (major, minor))
    geometry = of_pin(pinpoints.geometry, chosen.geometry)
    depth, depth_sd = of_pin(pinpoints.depth_m, unknown), of_pin(pinpoints.depth_sd_m, unknown)
    basis = of_pin(pinpoints.basis, np.full(len(chosen), "", dtype=np.object_))
    axis = np.nan_to_num(of_pin(pinpoints.axis_deg, unknown)) % 180.0
    hole = size_holes(
        major, minor, depth, depth_sd, soil=rules.soil, upright_to_m=rules.upright_to_m
    )
    freed = size_holes(
        major,
        minor,
        depth + rules.object_height_m,
        depth_sd,
        soil=rules.soil,
        upright_to_m=rules.upright_to_m,
    )
    outline = geometry.copy()
    sized = np.isfinite(hole.volume_m3)
    outline[sized] = outlines(
        shapely.get_coordinates(geometry[sized]),
        freed.top_length_m[sized],
        freed.top_width_m[sized],
        axis[sized],
    )
    # Where the hole's size is unknown, what lies near the place as far as that is known counts.
    outline[~sized] = shapely.buffer(geometry[~sized], major[~sized])
    consequence = np.array(
        [ranking.consequence(e, a) for e, a in zip(expected, chosen.axis_deg, strict=True)],
        dtype=np.object_,
    )
    facts = Facts(
        consequence=consequence,
        stated=np.array([e.strip().lower() in ranking.EXPECTED for e in expected], dtype=np.bool_),
        pinpointed=pinpointed,
        depth_m=depth,
        at_least=np.array(["at least" in b for b in basis], dtype=np.bool_),
        error_m=major,
        hole_depth_m=freed.depth_m,
        outline=outline,
        nearby=sources_near(ground.interference, outline, tolerance_m=rules.tolerance_m),
        recheck=np.array([last_recheck(outcomes, i) for i in ids], dtype=np.object_),
    )
    by_hand = consequence == ranking.SERVICE
    by_hand |= np.array([any(n.group == SERVICE for n in row) for row in facts.nearby], np.bool_)
    hours = FIXED_HOURS + hole.volume_m3 / np.where(by_hand, rules.hand_rate, rules.rate)
    minutes = np.full(len(hours), np.nan)
    minutes[sized] = ranking.whole_minutes(hours[sized])
    return Digs.build(
        len(chosen),
        geometry=geometry,
        dig_id=ids,
        candidate_id=chosen.candidate_id,
        consequence=consequence,
        p_metal=chosen.p_metal,
        depth_m=depth,
        depth_sd_m=depth_sd,
        error_m=major,
        hole_depth_m=hole.depth_m,
        top_length_m=hole.top_length_m,
        top_width_m=hole.top_width_m,
        axis_deg=np.where(sized, axis, np.nan),
        volume_m3=hole.volume_m3,
        hours=minutes / 60,
        cautions=cautions(facts, ground.exclusion),
        hold=holds(
            facts,
            permits_lacking=lacking(ground.permits, rules.required, rules.on),
            services_permit=not lacking(ground.permits, ("services",), rules.on),
            site=ground.site,
            exclusion=ground.exclusion,
            munitions=_munitions(previous),
        ),
        recheck=facts.recheck,
        status=OPEN,
        expected=expected,
        note=[previous.note[b] if b >= 0 else "" for b in before],
    )


def _munitions(digs: Digs) -> list[str]:
    """Digs where a munition is suspected, until they are said to be dug or dropped."""
    return sorted(
        str(dig)
        for dig, expected, status in zip(digs.dig_id, digs.expected, digs.status, strict=True)
        if expected.strip().lower() == "munition" and status.strip().lower() not in (DUG, DROPPED)
    )


def _ordered(live: Digs, chosen: Candidates, ground: Ground, budget_hours: float | None) -> Digs:
    """Digs ranked, those picked marked, and their order on foot."""
    worth = ranking.Worth(
        consequence=live.consequence,
        p_metal=live.p_metal,
        hours=live.hours,
        strength=chosen.strength,
    )
    order = ranking.rank_order(worth)
    live = live.take(order).with_columns(rank=np.arange(1, len(live) + 1))
    picked = live.hold == ""
    if budget_hours is not None:
        ready = np.flatnonzero(picked)
        fits = ranking.pick_within(
            ranking.Worth(
                consequence=live.consequence[ready],
                p_metal=live.p_metal[ready],
                hours=live.hours[ready],
                strength=np.full(len(ready), np.nan),
            ),
            budget_hours,
        )
        picked[ready] = fits
    rows = np.flatnonzero(picked)
    visit = np.zeros(len(live), dtype=np.int64)
    if len(rows):
        walk = visiting_order(shapely.get_coordinates(live.geometry[rows]), ground.no_go)
        visit[rows[walk]] = np.arange(1, len(rows) + 1)
    return live.with_columns(picked=picked, visit=visit)


def _notices(live: Digs, rules: DigRules, status: NDArray[np.object_]) -> list[str]:
    out = []
    if not rules.required:
        out.append(
            "no permits are required of this job: set the kinds that are with --require, as in "
            "--require landowner,services"
        )
    if len(live) and rules.soil == DEFAULT_SOIL:
        out.append("ground taken as type C (1½ to 1), as for ground that nobody has classified")
    odd = sorted(set(status) - {"", OPEN, DUG, DROPPED, GONE})
    if odd:
        out.append(f"status {quote(odd[0])} is none of open, dug, dropped and gone: taken as open")
    strange = sorted({e for e in live.expected if e and e.strip().lower() not in ranking.EXPECTED})
    if strange:
        out.append(
            f"expected {quote(strange[0])} is none of {', '.join(ranking.EXPECTED)}: "
            "taken as unknown"
        )
    return out
