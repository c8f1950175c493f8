"""Which digs come first, and which fit into a number of hours."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gridtools.errors import InputError

Real = NDArray[np.float64]

CONTAINER, SERVICE, MUNITION, SCRAP = (
    "possible container", "possible service", "suspected munition", "scrap",
)  # fmt: skip
#: What a person may state, and the consequence class that it gives.
EXPECTED = {"container": CONTAINER, "service": SERVICE, "munition": MUNITION, "scrap": SCRAP}
#: Chances of metal from which a dig is in each band; within a band effort decides.
BANDS = (0.8, 0.5, 0.2)
_TIER = {CONTAINER: 0, SERVICE: 0, SCRAP: 1, MUNITION: 2}
_CHANCE_STEPS = 10_000


def consequence(expected: str, axis_deg: float) -> str:
    """Consequence class of a dig, from what is known before digging.

    Large metal of which nothing is known is a possible container, whatever its depth; long metal
    is a possible service; only a person's word makes it anything else.

    Examples
    --------
    >>> consequence("", float("nan")), consequence("", 40.0), consequence("Scrap", float("nan"))
    ('possible container', 'possible service', 'scrap')
    """
    stated = EXPECTED.get(expected.strip().lower())
    if stated is not None:
        return stated
    return CONTAINER if np.isnan(axis_deg) else SERVICE


@dataclass(frozen=True, kw_only=True, eq=False)
class Worth:
    """What digs (n,) are ranked by.

    Attributes
    ----------
    consequence
        Class, as `consequence` gives it.
    p_metal
        Chance of metal.
    hours
        Effort; NaN where unknown.
    strength
        Strength of the response; NaN where unknown. Breaks ties only.
    """

    consequence: NDArray[np.object_]
    p_metal: Real
    hours: Real
    strength: Real


def rank_order(worth: Worth) -> NDArray[np.int64]:
    """Rows in the order of rank.

    First by class: possible containers and services, then scrap, then suspected munitions, which
    are not dug at all. Then by band of chance. Effort decides only within both, by chance for
    each hour, so that nothing falls behind scrap, or behind a slim chance, for being deep.
    """
    tier = np.array([_TIER[c] for c in worth.consequence], dtype=np.int64)
    band = np.sum(worth.p_metal[:, None] < np.array(BANDS), axis=1)
    per_hour = np.nan_to_num(worth.p_metal / worth.hours, nan=-1.0, posinf=np.inf)
    strong = np.nan_to_num(worth.strength, nan=-np.inf)
    return np.lexsort((-strong, -worth.p_metal, -np.round(per_hour, 9), band, tier))


def pick_within(worth: Worth, budget_hours: float) -> NDArray[np.bool_]:
    """The best set of digs that fits into a number of hours.

    The sum of the chances of metal is made as great as it can be: first over possible containers
    and services, then, in the hours that leaves, over scrap. Exact, by dynamic programming over
    whole minutes (Bellman 1957, from memory); each dig is taken to last to the next full minute.
    Of sets of equal worth one that takes fewer minutes is picked.

    Parameters
    ----------
    worth
        Digs (n,) that are ready, each with its hours known.
    budget_hours
        Hours to be had.

    Returns
    -------
    picked
        Mask (n,).

    Raises
    ------
    InputError
        If the hours of a dig are unknown.

    Examples
    --------
    >>> worth = Worth(consequence=np.array(["scrap"] * 3, dtype=object),
    ...     p_metal=np.array([0.9, 0.8, 0.7]), hours=np.array([3.0, 2.0, 2.0]),
    ...     strength=np.full(3, np.nan))
    >>> pick_within(worth, 4.0).tolist()
    [False, True, True]
    """
    if np.isnan(worth.hours).any():
        raise InputError("a dig whose hours are unknown cannot be picked within a budget")
    minutes = whole_minutes(worth.hours)
    room = int(np.floor(budget_hours * 60 + 1e-9))
    chance = np.rint(worth.p_metal * _CHANCE_STEPS).astype(np.int64)
    first = np.array([_TIER[c] == 0 for c in worth.consequence], dtype=np.bool_)
    value = np.where(first, chance * (1 + int(chance[~first].sum())), chance)
    if minutes.sum() <= room:
        return value > 0
    best = np.zeros(room + 1, dtype=np.int64)
    taken = np.zeros((len(minutes), room + 1), dtype=np.bool_)
    for i, (cost, gain) in enumerate(zip(minutes.tolist(), value.tolist(), strict=True)):
        if cost > room or gain <= 0:
            continue
        with_it = best[: room + 1 - cost] + gain
        taken[i, cost:] = with_it > best[cost:]
        best[cost:] = np.maximum(best[cost:], with_it)
    picked = np.zeros(len(minutes), dtype=np.bool_)
    # The fewest minutes that reach the greatest worth.
    left = int(np.argmax(best))
    for i in range(len(minutes) - 1, -1, -1):
        if taken[i, left]:
            picked[i] = True
            left -= int(minutes[i])
    return picked


def whole_minutes(hours: ArrayLike) -> NDArray[np.int64]:
    """Hours (n,) in minutes, to the next full one.

    Examples
    --------
    >>> whole_minutes([0.51, 1.0]).tolist()
    [31, 60]
    """
    return np.ceil(np.asarray(hours, dtype=np.float64) * 60 - 1e-6).astype(np.int64)
