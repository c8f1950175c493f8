"""How far repeats of the same pass over the same piece only repeat each other.

With probability d a place decides for all passes alike: all those at least as likely as some pass
that detects do so too. Otherwise each pass is a fresh chance. The likelihood of a group of passes
is then ``(1 - d) prod p^y (1-p)^(1-y) + d max(0, min p of hits - max p of misses)``, which for
the POD of several runs gives just the mixture of `pod.combine`. In the wooden stakes data two
observers found 59 % together where independence says 75 %: repeats are worth less than they seem.
"""

from dataclasses import dataclass

import numpy as np

from gridtools.sensor.curves import Curve
from gridtools.sensor.trials import Trials

#: Half the 90 % point of chi-squared with one degree of freedom (Wilks 1938).
_DROP = 1.353
#: Groups of repeats below which nothing is said (common practice, no source).
FEWEST_GROUPS = 10
#: An interval wider than this settles nothing.
_WIDEST = 0.7
#: Passes over one piece within this of each other are repeats of the same offset.
_SAME_M = 0.1


@dataclass(frozen=True, kw_only=True)
class Dependence:
    """Dependence between repeats of the same pass.

    Attributes
    ----------
    value
        0 where every repeat is a fresh chance, 1 where it only repeats.
    low, high
        90 % interval, by profile likelihood.
    groups
        Groups of repeats behind it.
    """

    value: float
    low: float
    high: float
    groups: int


def dependence_of(trials: Trials, curve: Curve) -> Dependence | None:
    """Dependence from repeats of an offset over a piece; None if they are too few to tell.

    Examples
    --------
    >>> from gridtools.sensor.curves import HalfNormal
    >>> curve = HalfNormal(4.0)
    >>> piece = np.repeat([f"piece {i}" for i in range(20)], 3)
    >>> found = dependence_of(Trials.build(np.full(60, 2.0), np.repeat([1, 0] * 10, 3) > 0,
    ...     piece=piece), curve)
    >>> found.value, found.groups
    (1.0, 20)
    """
    known = trials.piece != ""
    if not known.any():
        return None
    offset = np.round(trials.lateral_m[known] / _SAME_M).astype(np.int64)
    names = np.unique(trials.piece[known].astype(np.str_), return_inverse=True)[1]
    group = np.unique(np.column_stack([names, offset]), axis=0, return_inverse=True)[1].ravel()
    keep = np.bincount(group)[group] > 1
    group = np.unique(group[keep], return_inverse=True)[1]
    groups = int(group.max(initial=-1)) + 1
    if groups < FEWEST_GROUPS:
        return None
    hit = trials.responded[known][keep]
    p = np.clip(curve.probability(trials.lateral_m[known][keep]), 1e-9, 1.0 - 1e-9)
    alone = np.exp(np.bincount(group, np.where(hit, np.log(p), np.log1p(-p))))
    least_hit, most_missed = np.ones(groups), np.zeros(groups)
    np.minimum.at(least_hit, group[hit], p[hit])
    np.maximum.at(most_missed, group[~hit], p[~hit])
    # Offsets of one group differ by centimetres: an order that they alone upset is no evidence.
    together = np.maximum(0.0, least_hit - most_missed)
    d = np.linspace(0.0, 1.0, 1001)
    mixed = (1.0 - d)[:, None] * alone + d[:, None] * together
    log_likelihood = np.log(np.maximum(mixed, 1e-300)).sum(axis=1)
    best = int(np.argmax(log_likelihood))
    inside = d[log_likelihood >= log_likelihood[best] - _DROP]
    if inside[-1] - inside[0] > _WIDEST:
        return None
    return Dependence(
        value=float(d[best]), low=float(inside[0]), high=float(inside[-1]), groups=groups
    )
