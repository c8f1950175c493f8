"""The dig list, and a sheet for each dig that is ready: for whoever digs."""

import numpy as np
import shapely
from numpy.typing import NDArray
from reportlab.platypus import Flowable

from gridtools.handover.cautions import NO_PROOF
from gridtools.handover.dig_cautions import (
    DEFERENCE,
    GENERAL,
    DigCaution,
    checked_text,
    special_cautions,
)
from gridtools.handover.dig_words import depth_text, effort_text, hole_text, tape_texts
from gridtools.handover.pages import layout
from gridtools.handover.pages.drawing import SketchDrawing
from gridtools.handover.pages.head import Head
from gridtools.handover.sketch import hole_sketch
from gridtools.layers import DigPegs, Digs
from gridtools.targets.holes import outlines
from gridtools.units import counted, format_duration, format_length

#: Other digs this near are drawn on a dig's sketch.
NEIGHBOURS_WITHIN_M = 12.0
_CLOSED = ("dug", "dropped", "gone")
_FOUND = (
    "found: what it was", "metal: yes / no", "material",
    "depth, ground level to top", "length × width × height", "where, from the centre",
)  # fmt: skip
_LIFTS = ("lift", "dug to", "hole swept again", "spoil swept again", "time", "remark")


def dig_list(
    digs: Digs,
    pegs: DigPegs,
    head: Head,
    *,
    lonlat: NDArray[np.float64],
    metres_per_unit: float = 1.0,
    no_go: shapely.Geometry | None = None,
    checked_on: str = "",
) -> bytes:
    """Dig list in visiting order and a sheet for each dig that is ready, as PDF.

    Parameters
    ----------
    digs
        Digs (n,); those picked are printed as ready, other open ones as not to be dug yet, and
        those dug, dropped or gone are left out.
    pegs
        Their reference pegs.
    head
        What stands at the head.
    lonlat
        Longitude and latitude (n, 2) of the digs in degrees, WGS 84.
    metres_per_unit
        Length of one unit of the job's CRS, in which positions are printed.
    no_go
        Ground not to be walked, drawn on the sketches.
    checked_on
        Day for which permits were checked, ISO 8601, or empty.
    """
    is_open = np.array([s.strip().lower() not in _CLOSED for s in digs.status], dtype=bool)
    ready = np.flatnonzero(digs.picked & is_open)
    ready = ready[np.argsort(digs.visit[ready], kind="stable")]
    wait = np.flatnonzero(~digs.picked & is_open)
    xy = shapely.get_coordinates(digs.geometry) / metres_per_unit
    places = [
        f"E {e:.2f} N {n:.2f}; {lat:.6f}, {lon:.6f}"
        for (e, n), (lon, lat) in zip(xy.tolist(), lonlat.tolist(), strict=True)
    ]
    taped = tape_texts(pegs)
    special = special_cautions(digs.cautions[[*ready, *wait]])
    name = f"{head.job_name}: digs"
    hours = float(np.nansum(digs.hours[ready]))
    story: list[Flowable] = [
        layout.title(name),
        layout.facts(
            [
                (
                    "Ready",
                    f"{counted(len(ready), 'dig')}, {format_duration(hours * 3600)}"
                    if len(ready)
                    else "no dig",
                ),
                ("Not to be dug yet", str(len(wait))),
                ("Positions", f"{head.crs_name}; latitude and longitude WGS 84"),
                ("Depth", "ground level to the top of the object, with its standard error"),
            ]
        ),
        layout.notice(
            f"<b>Before anyone digs.</b> {layout.escaped(DEFERENCE)} {layout.escaped(NO_PROOF)} "
            f"<b>{layout.escaped(checked_text(checked_on))}</b> "
            "Suspected munition: recognise it, retreat without touching, report it to the police."
        ),
        layout.text(
            "The hole takes in where the object may lie. The peg at its centre goes with the first "
            "bucket: tape from the two reference pegs to find the centre again.",
            8.5,
        ),
        layout.heading("Ready, in the order to visit"),
        _table(digs, ready, places, taped, head) if len(ready) else layout.text("No dig is ready."),
    ]
    if len(wait):
        story += [layout.heading("Not to be dug yet"), _table(digs, wait, places, taped, head)]
    story += _cautions("Cautions for the digs marked so", special)
    story += _cautions("Cautions for every dig", GENERAL)
    for i in ready.tolist():
        story += _sheet(digs, i, places[i], pegs, no_go)
    return layout.document(story, name=name, paper=head.paper)


def _table(
    digs: Digs,
    chosen: NDArray[np.int64],
    places: list[str],
    taped: dict[str, list[str]],
    head: Head,
) -> Flowable:
    rows = []
    for i in chosen.tolist():
        visit = [layout.text(f"visit {digs.visit[i]}", 8, after=0)] if digs.visit[i] else []
        hold = [layout.text(f"On hold: {_hold(digs, i)}", 8, bold=True, after=0)]
        rows.append(
            [
                [layout.text(digs.dig_id[i], 12, bold=True, after=0), *visit],
                [
                    layout.text(words, 8, after=0)
                    for words in (places[i], *taped.get(digs.dig_id[i], []))
                ],
                [
                    layout.text(depth_text(digs, i), 9, bold=True, after=0),
                    layout.text(hole_text(digs, i), 8, after=0),
                    layout.text(effort_text(digs, i), 8, after=0),
                ],
                [
                    *([] if digs.picked[i] else hold),
                    layout.text(f"{digs.consequence[i]}, {digs.p_metal[i]:.0%}", 8, after=0),
                    layout.text(digs.cautions[i] or "as for every dig", 8, after=0),
                    layout.text(digs.note[i], 8, after=0),
                ],
            ]
        )
    return layout.grid(
        ("dig", "where: position, then tape from the pegs", "depth, hole, volume, time", "mind"),
        rows,
        (19, 55, 50, 0),
        running=f"{head.job_name} · digs",
    )


def _sheet(
    digs: Digs, i: int, place: str, pegs: DigPegs, no_go: shapely.Geometry | None
) -> list[Flowable]:
    """One page for one dig: where, how large, what to mind, room for what comes up."""
    own = pegs.take(pegs.dig_id == digs.dig_id[i])
    centre = digs.geometry[i]
    size = (digs.top_length_m[i], digs.top_width_m[i])
    hole = centre
    if np.isfinite(size).all():
        axis = float(np.nan_to_num(digs.axis_deg[i]))
        hole = outlines(shapely.get_coordinates(centre), [size[0]], [size[1]], [axis])[0]
    spots = [(centre, "centre", digs.dig_id[i])]
    spots += [
        (own.geometry[k], "peg", f"{own.peg_id[k]} {format_length(own.distance_m[k])}")
        for k in range(len(own))
    ]
    near = shapely.distance(digs.geometry, centre)
    spots += [
        (digs.geometry[k], "other", digs.dig_id[k])
        for k in np.flatnonzero((near > 0) & (near < NEIGHBOURS_WITHIN_M)).tolist()
    ]
    mind = special_cautions([digs.cautions[i]])
    return [
        layout.new_page(),
        layout.title(f"{digs.dig_id[i]}: {digs.consequence[i]}"),
        layout.facts(
            [
                ("Place", place),
                ("From the pegs", "; ".join(tape_texts(own).get(digs.dig_id[i], ["no pegs"]))),
                ("Depth to top", depth_text(digs, i)),
                ("Hole", f"{hole_text(digs, i)}; {effort_text(digs, i)}"),
                ("Chance of metal", f"{digs.p_metal[i]:.0%}, candidate {digs.candidate_id[i]}"),
                ("Mind", digs.cautions[i] or "as for every dig"),
                *([("Remark", digs.note[i])] if digs.note[i] else []),
            ]
        ),
        SketchDrawing(hole_sketch(hole, spots, no_go)),
        *(
            layout.marked(
                f"<b>{layout.escaped(_opening(c.heading))}.</b> {layout.escaped(c.text)} "
                f"<i>Source: {layout.escaped(c.source)}.</i>",
                8.5,
            )
            for c in mind
        ),
        layout.text(f"{DEFERENCE} {NO_PROOF}", 8),
        layout.fill(_FOUND, 3, 13),
        layout.grid(_LIFTS, [_lift(k) for k in range(1, 4)], (10, 22, 38, 38, 20, 0), height_mm=9),
    ]


def _lift(number: int) -> list[object]:
    swept = f"{layout.BOX} quiet   {layout.BOX} responds"
    return [str(number), "", swept, swept, "", ""]


def _cautions(words: str, cautions: tuple[DigCaution, ...]) -> list[Flowable]:
    if not cautions:
        return []
    return [
        layout.heading(words),
        layout.grid(
            ("mind", "how"),
            [
                [
                    layout.text(_opening(c.heading), 8.5, bold=True, after=0),
                    layout.text(f"{c.text} Source: {c.source}.", 8.5, after=0),
                ]
                for c in cautions
            ],
            (42, 0),
        ),
    ]


def _opening(words: str) -> str:
    return words[0].upper() + words[1:]


def _hold(digs: Digs, i: int) -> str:
    return str(digs.hold[i]) or "not among those picked"
