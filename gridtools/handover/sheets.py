"""Field sheets as self-contained HTML, to print and carry: lanes, hits, lanes walked.

Each function returns the text of one document; others write the files. The documents hold no
script, load nothing and set no paper size, so that they print on A4 and on Letter.
"""

from datetime import date
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike

from gridtools.handover import cautions
from gridtools.handover.rendering import environment
from gridtools.handover.sketch import sketch
from gridtools.layers import Infill, Lanes, Pegs, Recheck
from gridtools.units import bearing_difference

FIRST_PAGE_HITS = 6
NEXT_PAGE_HITS = 17
_SESSION_FIELDS = (
    "date", "session", "operator", "instrument and set-up", "tuning: motion / static",
    "GPS unit, its accuracy", "clock: hours from UTC", "weather", "ground: dry, wet, grass, spoil",
)  # fmt: skip
_CHECK_TIMES = ("start", "break", "break", "break", "finish")
WALKED_EXAMPLES = (
    ("2026-05-14", "date of the lines below it"),
    ("1-001 to 1-020 in order, missed 1-007", "lanes 1-001 to 1-020 from end to end, but 1-007"),
    ("09:20 1-021 backward", "begun at 09:20, finish peg to start peg"),
    ("1-022, missed 1-022 from 34 m", "1-022 but its rest from chainage 34 m"),
    ("1-023 from 34 m", "from chainage 34 m to the finish peg"),
    ("1-024 0 to 20 m", "from the start peg to chainage 20 m"),
    ("hit 1-024 at 12.5 m, strength 6", "a hit, by its chainage"),
)


def lane_sheet(
    lanes: Lanes,
    *,
    job_name: str,
    crs_name: str,
    bearing_date: date | None,
    spacing_m: float | None,
    sweep_width_m: float | None,
    sweep_basis: str = "",
    pegs: Pegs | None = None,
    infill: Infill | None = None,
    recheck: Recheck | None = None,
    outline: shapely.Geometry | None = None,
    no_go: shapely.Geometry | None = None,
) -> str:
    """Lane sheet: lanes in walking order with pegs, bearings and room for what is met.

    Parameters
    ----------
    lanes
        Planned lanes of all passes; printed by pass, in the order of ``seq``.
    job_name, crs_name
        Names of the job and of its CRS.
    bearing_date
        Date for which the magnetic bearings hold; None prints that it is unknown.
    spacing_m, sweep_width_m
        Lane spacing and sweep width in metres; None where not set.
    sweep_basis
        ``measured``, ``given`` or ``assumed``: anything but measured is printed as not tested.
    pegs
        Pegs to set out: listed at the end, and intermediate ones beside their lane.
    infill, recheck
        Further sections, printed where they hold lanes.
    outline, no_go
        Search area and ground not to be walked, drawn on the sketch of each section.

    Returns
    -------
    str
        HTML document.

    Examples
    --------
    >>> lanes = Lanes.build(
    ...     geometry=[shapely.LineString([(0, 0), (0, 50)])], lane_id="1-001", pass_no=1,
    ...     length_m=50.0, start_peg="1-001s", finish_peg="1-001f", magnetic_bearing_deg=0.4)
    >>> html = lane_sheet(lanes, job_name="Yard", crs_name="EPSG:32630",
    ...     bearing_date=date(2026, 5, 4), spacing_m=2.0, sweep_width_m=4.0)
    >>> "1-001f" in html, "sweep width assumed, not tested" in html
    (True, True)
    """
    sections = [
        (f"Pass {number}", f"pass-{number}", lanes.take(lanes.pass_no == number))
        for number in np.unique(lanes.pass_no).tolist()
    ]
    sections += [
        (heading, key, layer)
        for heading, key, layer in (
            ("Infill lanes", "infill", infill),
            ("Recheck lanes", "recheck", recheck),
        )
        if layer is not None and len(layer)
    ]
    along = _along_lane(pegs)
    sweep = cautions.sweep_statement(sweep_width_m, sweep_basis)
    bearing_note = f"for {bearing_date.isoformat()}" if bearing_date else "date unknown"
    return _render(
        "lane_sheet.html.j2",
        title="lane sheet",
        job_name=job_name,
        sweep=sweep,
        bearing_date=bearing_note,
        header=[
            ("Sweep", sweep[0].upper() + sweep[1:]),
            ("Lanes", _spacing(spacing_m)),
            ("Positions", crs_name),
            ("Bearings", _bearing_fact(lanes, bearing_note)),
        ],
        stop_rules=cautions.STOP_RULES,
        deference=cautions.DEFERENCE,
        no_proof=cautions.NO_PROOF,
        sections=[
            _section(heading, key, layer, along, outline, no_go) for heading, key, layer in sections
        ],
        peg_rows=_peg_rows(pegs),
    )


def hit_form(
    *,
    job_name: str,
    crs_name: str,
    spacing_m: float | None,
    sweep_width_m: float | None,
    sweep_basis: str = "",
    pages: int = 3,
) -> str:
    """Hit log form, with the session's head, the pre-start list and the instrument checks.

    Parameters
    ----------
    job_name, crs_name, spacing_m, sweep_width_m, sweep_basis
        As for `lane_sheet`.
    pages
        Pages with room for hits, the first of them shared with the checks.

    Returns
    -------
    str
        HTML document.
    """
    sweep = cautions.sweep_statement(sweep_width_m, sweep_basis)
    return _render(
        "hit_form.html.j2",
        title="hit log form",
        job_name=job_name,
        crs_name=crs_name,
        sweep=sweep[0].upper() + sweep[1:],
        spacing=_spacing(spacing_m)[0].upper() + _spacing(spacing_m)[1:],
        session_fields=_SESSION_FIELDS,
        check_times=_CHECK_TIMES,
        pre_start=cautions.PRE_START,
        deference=cautions.DEFERENCE,
        no_proof=cautions.NO_PROOF,
        rows_first=FIRST_PAGE_HITS,
        rows_more=NEXT_PAGE_HITS,
        more_pages=pages - 1,
    )


def walked_form(*, job_name: str, rows: int = 6) -> str:
    """Form for a walked-lanes note, with how to write one.

    Parameters
    ----------
    job_name
        Name of the job.
    rows
        Lines to write on.

    Returns
    -------
    str
        HTML document.
    """
    return _render(
        "walked_form.html.j2",
        title="walked lanes",
        job_name=job_name,
        session_fields=("date", "session", "operator"),
        examples=WALKED_EXAMPLES,
        stop_rules=cautions.STOP_RULES,
        deference=cautions.DEFERENCE,
        no_proof=cautions.NO_PROOF,
        rows=rows,
    )


def _render(template: str, **content: Any) -> str:
    return environment().get_template(template).render(**content)


def _section(
    heading: str,
    key: str,
    lanes: Lanes,
    along: dict[str, str],
    outline: shapely.Geometry | None,
    no_go: shapely.Geometry | None,
) -> dict[str, Any]:
    lanes = lanes.take(np.argsort(lanes.seq, kind="stable"))
    remarks = lanes.reason if isinstance(lanes, Infill | Recheck) else [""] * len(lanes)
    count = len(lanes)
    return {
        "heading": heading,
        "key": key,
        "summary": f"{count} lane{'s' if count > 1 else ''}, "
        f"{np.nansum(lanes.length_m):.0f} m to walk, in walking order.",
        "sketch": sketch(lanes, outline, no_go),
        "rows": [
            {
                "lane_id": lanes.lane_id[i],
                "length": _metres(lanes.length_m[i], 1, " m"),
                "start_peg": lanes.start_peg[i],
                "finish_peg": lanes.finish_peg[i],
                "pegs": along.get(lanes.lane_id[i], ""),
                "magnetic": _bearing(lanes.magnetic_bearing_deg[i]),
                "grid": _bearing(lanes.bearing_deg[i]),
                "true": _bearing(lanes.true_bearing_deg[i]),
                "remark": remarks[i],
            }
            for i in range(count)
        ],
    }


def _peg_rows(pegs: Pegs | None) -> list[dict[str, str]]:
    if pegs is None:
        return []
    return [
        {
            "peg_id": pegs.peg_id[i],
            "role": pegs.role[i],
            "lane_id": pegs.lane_id[i],
            "tape": _metres(pegs.tape_m[i], 2),
            "east": _metres(pegs.local_e_m[i], 2),
            "north": _metres(pegs.local_n_m[i], 2),
        }
        for i in range(len(pegs))
    ]


def _along_lane(pegs: Pegs | None) -> dict[str, str]:
    """Intermediate pegs of each lane, by lane, as one line of text."""
    if pegs is None:
        return {}
    texts: dict[str, list[str]] = {}
    for i in np.flatnonzero(pegs.role == "intermediate"):
        texts.setdefault(pegs.lane_id[i], []).append(
            f"{pegs.peg_id[i]} at {_metres(pegs.tape_m[i], 1, ' m')}"
        )
    return {lane: ", ".join(parts) for lane, parts in texts.items()}


def _bearing_fact(lanes: Lanes, bearing_note: str) -> str:
    if not len(lanes):
        return f"magnetic {bearing_note}"
    declination = _median_turn(lanes.true_bearing_deg, lanes.magnetic_bearing_deg)
    convergence = _median_turn(lanes.true_bearing_deg, lanes.bearing_deg)
    return f"magnetic {bearing_note}; true = magnetic {declination}; true = grid {convergence}"


def _median_turn(a_deg: ArrayLike, b_deg: ArrayLike) -> str:
    turn = bearing_difference(a_deg, b_deg)
    known = turn[np.isfinite(turn)]
    return f"{np.median(known):+.1f}°" if known.size else "+ unknown"


def _spacing(spacing_m: float | None) -> str:
    if spacing_m is None or not np.isfinite(spacing_m):
        return "lane spacing not set"
    return f"lane spacing {spacing_m:.2f} m"


def _metres(value: float, places: int, unit: str = "") -> str:
    return f"{value:.{places}f}{unit}" if np.isfinite(value) else "–"


def _bearing(bearing_deg: float) -> str:
    # Rounded before it is wrapped, so that 359.97 reads 000.0 and not 360.0.
    return f"{round(bearing_deg, 1) % 360.0:05.1f}°" if np.isfinite(bearing_deg) else "–"
