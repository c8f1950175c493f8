"""The dig list as a page to print and carry: for whoever digs."""

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from gridtools.handover.cautions import NO_PROOF
from gridtools.handover.dig_cautions import DEFERENCE, GENERAL, special_cautions
from gridtools.handover.rendering import environment
from gridtools.layers import DigPegs, Digs
from gridtools.targets.compass import compass_word
from gridtools.units import format_duration


def dig_sheet(
    digs: Digs,
    pegs: DigPegs,
    *,
    job_name: str,
    crs_name: str,
    lonlat: NDArray[np.float64],
    metres_per_unit: float = 1.0,
) -> str:
    """Dig list in visiting order, with where to tape from, what to mind and room for what comes up.

    Parameters
    ----------
    digs
        Digs (n,); those picked are printed as ready, other open ones as not to be dug yet, and
        those dug, dropped or gone are left out.
    pegs
        Their reference pegs.
    job_name, crs_name
        Names of the job and of its CRS.
    lonlat
        Longitude and latitude (n, 2) of the digs in degrees, WGS 84.
    metres_per_unit
        Length of one unit of the job's CRS, in which positions are printed.

    Returns
    -------
    str
        HTML document.
    """
    open_ = np.isin(
        [s.strip().lower() for s in digs.status], ("dug", "dropped", "gone"), invert=True
    )
    ready = np.flatnonzero(digs.picked & open_)
    ready = ready[np.argsort(digs.visit[ready], kind="stable")]
    wait = np.flatnonzero(~digs.picked & open_)
    xy = shapely.get_coordinates(digs.geometry) / metres_per_unit
    taped = tape_texts(pegs)

    def row(i: int) -> dict[str, Any]:
        return {
            "dig_id": digs.dig_id[i],
            "visit": int(digs.visit[i]),
            "position": f"E {xy[i, 0]:.2f} N {xy[i, 1]:.2f}",
            "lonlat": f"{lonlat[i, 1]:.6f}, {lonlat[i, 0]:.6f}",
            "pegs": taped.get(digs.dig_id[i], []),
            "depth": depth_text(digs, i),
            "hole": hole_text(digs, i),
            "effort": effort_text(digs, i),
            "chance": f"{digs.p_metal[i]:.0%}",
            "consequence": digs.consequence[i],
            "cautions": digs.cautions[i] or "as for every dig",
            "hold": digs.hold[i] or "not among those picked",
            "note": digs.note[i],
        }

    hours = digs.hours[ready]
    return (
        environment()
        .get_template("dig_sheet.html.j2")
        .render(
            title="dig list",
            job_name=job_name,
            header=[
                ("Ready", f"{len(ready)} digs, {format_duration(float(hours.sum()) * 3600)}")
                if len(ready)
                else ("Ready", "no dig"),
                ("Not to be dug yet", str(len(wait))),
                ("Positions", f"{crs_name}; latitude and longitude WGS 84"),
                ("Depth", "ground level to the top of the object, with its standard error"),
            ],
            deference=DEFERENCE,
            no_proof=NO_PROOF,
            ready=[row(int(i)) for i in ready],
            wait=[row(int(i)) for i in wait],
            special=special_cautions(digs.cautions[[*ready, *wait]]),
            general=GENERAL,
        )
    )


def tape_texts(pegs: DigPegs) -> dict[str, list[str]]:
    """For each dig, from where and how far to tape to its centre.

    Examples
    --------
    >>> pegs = DigPegs.build(geometry=[shapely.Point(0, 3)], peg_id=["D001a"], dig_id=["D001"],
    ...     distance_m=3.0, bearing_deg=180.0)
    >>> tape_texts(pegs)
    {'D001': ['3.0 m S of peg D001a (grid 180°)']}
    """
    out: dict[str, list[str]] = {}
    for i, dig in enumerate(pegs.dig_id):
        bearing = float(pegs.bearing_deg[i])
        out.setdefault(dig, []).append(
            f"{pegs.distance_m[i]:.1f} m {compass_word(bearing)} of peg {pegs.peg_id[i]} "
            f"(grid {round(bearing) % 360:03d}°)"
        )
    return out


def depth_text(digs: Digs, i: int) -> str:
    """Depth of the object with its spread."""
    if np.isnan(digs.depth_m[i]):
        return "unknown"
    spread = digs.depth_sd_m[i]
    return f"{digs.depth_m[i]:.2f}" + (f" ± {spread:.2f} m" if np.isfinite(spread) else " m")


def hole_text(digs: Digs, i: int) -> str:
    """Size of the hole at ground level, its direction and depth."""
    if np.isnan(digs.hole_depth_m[i]):
        return "unknown"
    return (
        f"{digs.top_length_m[i]:.1f} × {digs.top_width_m[i]:.1f} m at the top, "
        f"{digs.hole_depth_m[i]:.1f} m deep"
    )


def effort_text(digs: Digs, i: int) -> str:
    """Volume and time."""
    if np.isnan(digs.hours[i]):
        return "unknown"
    return f"{digs.volume_m3[i]:.1f} m³, {format_duration(digs.hours[i] * 3600)}"
