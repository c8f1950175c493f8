"""The order in which to visit the digs, short on foot."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gridtools.plan.detours import Detours


def visiting_order(xy: NDArray[np.float64], no_go: Any = None) -> NDArray[np.int64]:
    """Rows in an order that is short on foot, beginning at the end with the lower row.

    An open walk through all places: greedy, then improved by threshold accepting with a fixed
    seed (Dueck and Scheuer 1990), both as networkx has them. Going from the last to the first
    costs nothing, through a place that is no distance from any other.

    Parameters
    ----------
    xy
        Places (n, 2) in metres, the most important first.
    no_go
        Ground not to be walked, gone round.

    Examples
    --------
    >>> visiting_order(np.array([[0.0, 0.0], [20.0, 0.0], [10.0, 0.0]])).tolist()
    [0, 2, 1]
    """
    count = len(xy)
    if count < 3:
        return np.arange(count, dtype=np.int64)
    import networkx as nx
    from networkx.algorithms import approximation

    distance = walking_m(xy, no_go)
    outside = count
    graph: nx.Graph[int] = nx.Graph()
    graph.add_weighted_edges_from(
        (i, j, distance[i, j]) for i in range(count) for j in range(i + 1, count)
    )
    graph.add_weighted_edges_from((i, outside, 0.0) for i in range(count))
    cycle = approximation.greedy_tsp(graph, source=outside)
    for move in ("1-1", "1-0"):
        cycle = approximation.threshold_accepting_tsp(
            graph, cycle, source=outside, seed=1, move=move, threshold=1, N_inner=600
        )
    order = np.array([int(n) for n in cycle[1:-1]], dtype=np.int64)
    return order if order[0] < order[-1] else order[::-1]


def walking_m(xy: NDArray[np.float64], no_go: Any = None) -> NDArray[np.float64]:
    """Distances (n, n) on foot between places, about, round ground that is not walked.

    Examples
    --------
    >>> walking_m(np.array([[0.0, 0.0], [3.0, 4.0]])).tolist()
    [[0.0, 5.0], [5.0, 0.0]]
    """
    first, second = np.triu_indices(len(xy), 1)
    straight = np.hypot(*(xy[first] - xy[second]).T)
    if no_go is not None and not no_go.is_empty and len(first):
        origin = np.round(xy[0])
        straight = Detours(no_go, origin).estimate(xy[first] - origin, xy[second] - origin)
    out = np.zeros((len(xy), len(xy)))
    out[first, second] = out[second, first] = straight
    return out
