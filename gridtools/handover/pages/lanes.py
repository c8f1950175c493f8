"""The lane sheet: lanes in walking order with pegs, bearings and room for what is met."""

from collections.abc import Mapping
from datetime import date

import numpy as np
import shapely
from numpy.typing import ArrayLike
from reportlab.platypus import Flowable

from gridtools.handover import cautions
from gridtools.handover.pages import layout
from gridtools.handover.pages.drawing import SketchDrawing
from gridtools.handover.pages.head import Head
from gridtools.handover.sketch import sketch
from gridtools.layers import Infill, Lanes, Pegs, Recheck
from gridtools.units import bearing_difference, counted, format_length, shown_unit


def lane_sheet(
    lanes: Lanes,
    head: Head,
    *,
    bearing_date: date | None,
    pegs: Pegs | None = None,
    infill: Infill | None = None,
    recheck: Recheck | None = None,
    outline: shapely.Geometry | None = None,
    no_go: shapely.Geometry | None = None,
) -> bytes:
    """Lane sheet as PDF.

    Parameters
    ----------
    lanes
        Planned lanes of all passes; printed by pass, in the order of ``seq``.
    head
        What stands at its head.
    bearing_date
        Date for which the magnetic bearings hold; None prints that it is unknown.
    pegs
        Pegs to set out: listed at the end, and intermediate ones beside their lane.
    infill, recheck
        Further sections, printed where they hold lanes.
    outline, no_go
        Search area and ground not to be walked, drawn on the sketch of each section.

    Examples
    --------
    >>> lanes = Lanes.build(
    ...     geometry=[shapely.LineString([(0, 0), (0, 50)])], lane_id="1-001", pass_no=1,
    ...     length_m=50.0, start_peg="1-001s", finish_peg="1-001f", magnetic_bearing_deg=0.4)
    >>> head = Head(job_name="Yard", crs_name="EPSG:32630", spacing_m=2.0, sweep_width_m=4.0)
    >>> lane_sheet(lanes, head, bearing_date=date(2026, 5, 4))[:5]
    b'%PDF-'
    """
    sections: list[tuple[str, Lanes]] = [
        (f"Pass {number}", lanes.take(lanes.pass_no == number))
        for number in np.unique(lanes.pass_no).tolist()
    ]
    sections += [
        (words, layer)
        for words, layer in (("Infill lanes", infill), ("Recheck lanes", recheck))
        if layer is not None and len(layer)
    ]
    on = f"for {bearing_date.isoformat()}" if bearing_date else "date unknown"
    story: list[Flowable] = [
        layout.title(f"{head.job_name}: lane sheet"),
        layout.facts(
            [
                ("Sweep", head.sweep),
                ("Lanes", head.spacing),
                ("Positions", head.crs_name),
                ("Bearings", _bearing_fact(lanes, on)),
            ]
        ),
        layout.notice(
            f"<b>Stop rules.</b> {layout.escaped(cautions.STOP_RULES)} "
            f"{layout.escaped(cautions.DEFERENCE)} {layout.escaped(cautions.NO_PROOF)}"
        ),
        layout.text(_HOW_TO, 8.5),
    ]
    along = _along_lane(pegs)
    for number, (words, part) in enumerate(sections):
        if number:
            story.append(layout.new_page())
        story += _section(words, part, head, on, along, outline, no_go)
    if pegs is not None and len(pegs):
        story += _pegs(pegs, head)
    return layout.document(story, name=f"{head.job_name}: lane sheet", paper=head.paper)


_HOW_TO = (
    "Tick a lane when it is walked from end to end without a break. Forward is from the start peg "
    "to the finish peg. Chainage is the distance from the start peg, whichever way the lane is "
    "walked. Between lanes, walk round the end pegs. A lane broken off is not ticked: write the "
    "chainage where it stopped. Where ground not to be walked cuts a lane in legs, they are "
    "lettered a, b and so on."
)


def _section(
    words: str,
    lanes: Lanes,
    head: Head,
    on: str,
    along: Mapping[str, str],
    outline: shapely.Geometry | None,
    no_go: shapely.Geometry | None,
) -> list[Flowable]:
    lanes = lanes.take(np.argsort(lanes.seq, kind="stable"))
    remarks = lanes.reason if isinstance(lanes, Infill | Recheck) else [""] * len(lanes)
    length = format_length(float(np.nansum(lanes.length_m)))
    drawn = sketch(lanes, outline, no_go)
    opening = [
        layout.heading(words),
        layout.text(f"{counted(len(lanes), 'lane')}, {length} to walk, in walking order."),
    ]
    if drawn is not None:
        opening.append(SketchDrawing(drawn))
    rows = [
        [
            layout.text(layout.BOX, 20, after=0),
            [
                layout.text(lanes.lane_id[i], 11.5, bold=True, after=0),
                layout.text(_length(lanes.length_m[i]), 8.5, after=0),
            ],
            [
                layout.text(lanes.start_peg[i], 8.5, after=0),
                layout.text(f"→ {lanes.finish_peg[i]}", 8.5, after=0),
                layout.text(along.get(lanes.lane_id[i], ""), 7, after=0),
            ],
            [
                layout.text(bearing(lanes.magnetic_bearing_deg[i]), 11.5, bold=True, after=0),
                layout.text(
                    f"grid {bearing(lanes.bearing_deg[i])} "
                    f"true {bearing(lanes.true_bearing_deg[i])}",
                    7,
                    after=0,
                ),
            ],
            "",
            layout.direction(),
            layout.text(remarks[i], 7.5, after=0),
        ]
        for i in range(len(lanes))
    ]
    table = layout.grid(
        (
            "done", "lane, length", "from peg to peg", f"magnetic bearing {on}", "time",
            "direction walked", "hits: chainage, strength, remark",
        ),
        rows,
        (13, 23, 26, 37, 15, 23, 0),
        running=f"{head.job_name} · {words} · {head.sweep}",
        height_mm=11,
    )  # fmt: skip
    return [layout.together(*opening), table]


def _pegs(pegs: Pegs, head: Head) -> list[Flowable]:
    rows = [
        [
            layout.text(layout.BOX, 12, after=0),
            layout.text(pegs.peg_id[i], 9, bold=True, after=0),
            pegs.role[i],
            pegs.lane_id[i],
            _shown(pegs.tape_m[i]),
            _shown(pegs.offset_m[i]),
            _shown(pegs.local_e_m[i]),
            _shown(pegs.local_n_m[i]),
        ]
        for i in range(len(pegs))
    ]
    return [
        layout.new_page(),
        layout.heading("Pegs to set out"),
        layout.text(
            f"{counted(len(pegs), 'peg')}, figures in {shown_unit()[0]}. Offset: with a second "
            "tape, at right angles from the line of the first. Buried services: know what lies "
            "below before driving a peg."
        ),
        layout.grid(
            ("set", "peg", "role", "lane", "on the tape", "offset", "local east", "local north"),
            rows,
            (10, 24, 26, 24, 25, 25, 26, 0),
            running=f"{head.job_name} · pegs to set out",
        ),
    ]


def _along_lane(pegs: Pegs | None) -> dict[str, str]:
    """Intermediate pegs of each lane, by lane, as one line of text."""
    texts: dict[str, list[str]] = {}
    if pegs is not None:
        for i in np.flatnonzero(pegs.role == "intermediate"):
            texts.setdefault(pegs.lane_id[i], []).append(
                f"{pegs.peg_id[i]} at {format_length(pegs.tape_m[i])}"
            )
    return {lane: ", ".join(parts) for lane, parts in texts.items()}


def _bearing_fact(lanes: Lanes, on: str) -> str:
    declination = _median_turn(lanes.true_bearing_deg, lanes.magnetic_bearing_deg)
    convergence = _median_turn(lanes.true_bearing_deg, lanes.bearing_deg)
    return f"magnetic {on}; true = magnetic {declination}; true = grid {convergence}"


def _median_turn(a_deg: ArrayLike, b_deg: ArrayLike) -> str:
    turn = bearing_difference(a_deg, b_deg)
    known = turn[np.isfinite(turn)]
    return f"{np.median(known):+.1f}°" if known.size else "+ unknown"


def bearing(bearing_deg: float) -> str:
    """Bearing in three figures and a decimal, or a dash.

    Examples
    --------
    >>> bearing(359.97), bearing(7.9), bearing(float("nan"))
    ('000.0°', '007.9°', '–')
    """
    # Rounded before it is wrapped, so that 359.97 reads 000.0 and not 360.0.
    return f"{round(bearing_deg, 1) % 360.0:05.1f}°" if np.isfinite(bearing_deg) else "–"


def _length(length_m: float) -> str:
    return format_length(length_m) if np.isfinite(length_m) else "–"


def _shown(length_m: float) -> str:
    return f"{length_m / shown_unit()[1]:.2f}" if np.isfinite(length_m) else "–"
