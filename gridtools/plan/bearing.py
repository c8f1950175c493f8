"""The bearing that takes the least time."""

from dataclasses import dataclass

import numpy as np
import shapely

from gridtools.plan.ground import Ground


@dataclass(frozen=True, kw_only=True)
class Choice:
    bearing_deg: float
    reason: str


def choose_bearing(
    ground: Ground, *, spacing_m, passes, run_on_m, stay_inside, min_length_m, speed_mps
) -> Choice:
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(ground.area))
    d = np.diff(box[:3], axis=0)
    e = d[np.argmax(np.hypot(*d.T))]
    b = float(np.degrees(np.arctan2(e[0], e[1])) % 180)
    return Choice(bearing_deg=b, reason="Along the longer side of the site.")
