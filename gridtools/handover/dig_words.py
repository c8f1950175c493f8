"""A dig in words: where to tape from, how deep, how large a hole, how long it takes."""

import numpy as np

from gridtools.layers import DigPegs, Digs
from gridtools.targets.compass import compass_word
from gridtools.units import format_duration, format_length, format_volume


def tape_texts(pegs: DigPegs) -> dict[str, list[str]]:
    """For each dig, from where and how far to tape to its centre.

    Examples
    --------
    >>> import shapely
    >>> pegs = DigPegs.build(geometry=[shapely.Point(0, 3)], peg_id=["D001a"], dig_id=["D001"],
    ...     distance_m=3.0, bearing_deg=180.0)
    >>> tape_texts(pegs)
    {'D001': ['3.00 m S of peg D001a (grid 180°)']}
    """
    out: dict[str, list[str]] = {}
    for i, dig in enumerate(pegs.dig_id):
        bearing = float(pegs.bearing_deg[i])
        out.setdefault(dig, []).append(
            f"{format_length(pegs.distance_m[i])} {compass_word(bearing)} of peg {pegs.peg_id[i]} "
            f"(grid {round(bearing) % 360:03d}°)"
        )
    return out


def depth_text(digs: Digs, i: int) -> str:
    """Depth of the object with its spread."""
    if np.isnan(digs.depth_m[i]):
        return "unknown"
    spread = digs.depth_sd_m[i]
    more = f" ± {format_length(spread)}" if np.isfinite(spread) else ""
    return f"{format_length(digs.depth_m[i])}{more}"


def hole_text(digs: Digs, i: int) -> str:
    """Size of the hole at ground level, and its depth."""
    if np.isnan(digs.hole_depth_m[i]):
        return "size unknown"
    return (
        f"{format_length(digs.top_length_m[i])} × {format_length(digs.top_width_m[i])} at the "
        f"top, {format_length(digs.hole_depth_m[i])} deep"
    )


def effort_text(digs: Digs, i: int) -> str:
    """Volume and time."""
    if np.isnan(digs.hours[i]):
        return "time unknown"
    return f"{format_volume(digs.volume_m3[i])}, {format_duration(digs.hours[i] * 3600)}"
