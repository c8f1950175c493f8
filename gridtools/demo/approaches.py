"""Approaches to what Sallow Yard gave hits on, as a walker would mark and survey them."""

import numpy as np
import shapely
from numpy.random import RandomState

from gridtools.demo import scenario
from gridtools.units import unit_vector


def approaches_csv() -> bytes:
    """Onsets from eight sides of each piece, with no word on which candidate they belong to."""
    dice = RandomState(scenario.APPROACH_SEED)
    lines = [
        f"# {scenario.NAME}: approaches, invented for the demo of gridtools",
        "kind,heading_deg,x,y,start_distance_m,leading_coil,accuracy_m,time",
    ]
    when = np.datetime64(scenario.APPROACH_DAY.replace(tzinfo=None), "s")
    pieces = zip(scenario.METAL, scenario.metal_geometry(), strict=True)
    for metal, piece in pieces:
        centre = np.array(piece.centroid.coords[0])
        for heading in np.arange(0.0, 360.0, 45.0).tolist():
            ahead = unit_vector(heading)
            # The response starts where the nearest metal is one onset distance off.
            onset_m = metal.depth_m / scenario.DEPTH_PER_ONSET
            steps = np.arange(12.0, -0.01, -0.02)
            path = centre - steps[:, None] * ahead
            near = shapely.distance(shapely.points(path), piece) <= onset_m
            marked = path[np.argmax(near)] + scenario.MARK_SD_M * dice.standard_normal(2)
            lines.append(
                f"onset,{heading:g},{marked[0]:.2f},{marked[1]:.2f},"
                f"{scenario.BEGAN_M:g},front,{scenario.MARK_SD_M:g},{when}Z"
            )
            when = when + np.timedelta64(90, "s")
    return "\n".join([*lines, ""]).encode()
