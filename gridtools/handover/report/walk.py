"""Sections on the walk: how it was made, what it covered and what it missed."""

import numpy as np

from gridtools.field.checks import doubts
from gridtools.handover.report.contents import Contents, Section, Table
from gridtools.layers import Checks, Coverage, Gaps, Lanes, Runs, Sessions
from gridtools.units import format_area, format_length, normalise_bearing

MOST_GAPS = 40


def survey(contents: Contents) -> Section | None:
    """The fields that archives ask of a ground survey."""
    lanes = contents.of(Lanes)
    if not len(lanes):
        return None
    sessions = contents.of(Sessions)
    sessions = sessions.take(~sessions.struck)
    spacing = contents.number("lane_spacing_m")
    directions = [
        f"pass {number}: {_both_ways(lanes.bearing_deg[lanes.pass_no == number])} from grid north"
        for number in np.unique(lanes.pass_no).tolist()
    ]
    accuracy = sessions.accuracy_m[np.isfinite(sessions.accuracy_m)]
    notes = [n for n in dict.fromkeys(sessions.note) if n]
    return Section(
        key="survey",
        heading="How it was surveyed",
        facts=[
            ("Technique", "deep-seeking metal locator, carried on foot along parallel lanes"),
            ("Instrument", _listed(sessions.instrument)),
            ("Tuning", _listed(sessions.tuning)),
            ("Traverse spacing", format_length(spacing) if np.isfinite(spacing) else "not set"),
            ("Traverse directions", "; ".join(directions)),
            ("Dates", _dates(sessions)),
            ("Operators", _listed(sessions.operator)),
            (
                "Positions",
                _listed(np.array([_POSITIONS.get(p, p) for p in sessions.positions], dtype=object)),
            ),
            (
                "Position accuracy",
                f"standard error of a fix up to {format_length(float(accuracy.max()))}"
                if accuracy.size
                else "not stated",
            ),
            ("Weather and ground", "; ".join(notes) or "not recorded"),
            ("Coordinates", f"{contents.crs_name} {contents.crs_code}".strip()),
        ],
    )


_POSITIONS = {"gps": "GPS fixes", "lane": "pegs and tape"}


def _both_ways(bearing_deg: np.ndarray) -> str:
    """Direction of a set of lanes that are walked both ways: 072.7° and 252.7°."""
    doubled = np.radians(2.0 * bearing_deg[np.isfinite(bearing_deg)])
    axis = float(np.degrees(np.arctan2(np.sin(doubled).sum(), np.cos(doubled).sum())) / 2.0)
    one, other = sorted(normalise_bearing([round(axis, 1), round(axis + 180.0, 1)]).tolist())
    return f"{one:05.1f}° and {other:05.1f}°"


def _listed(values: np.ndarray) -> str:
    return ", ".join(v for v in dict.fromkeys(values.tolist()) if v) or "not recorded"


def _dates(sessions: Sessions) -> str:
    days = sessions.start_utc[~np.isnat(sessions.start_utc)].astype("datetime64[D]")
    return ", ".join(np.unique(days).astype(str).tolist()) or "not yet walked"


def coverage(contents: Contents) -> Section | None:
    """What was covered, per pass, and the largest gaps."""
    rows, gaps = contents.of(Coverage), contents.of(Gaps)
    if not len(rows):
        return None
    rows = rows.take(rows.search_m2 > 0)
    careful = bool(np.isfinite(rows.cautious_percent).any())
    header = ("part", "confidence", "area", "covered", *(("cautious",) if careful else ()))
    figures = Table(
        caption="Share of the search area within half a sweep width of an accepted run"
        + ("; cautious: with the sweep cut by the error of the fixes" if careful else ""),
        header=(*header, "gaps", "largest gap"),
        rows=[
            (
                rows.part[i],
                rows.confidence[i],
                format_area(rows.search_m2[i]),
                f"{rows.percent[i]:.2f} %",
                *((f"{rows.cautious_percent[i]:.2f} %",) if careful else ()),
                str(rows.gaps[i]),
                format_area(rows.largest_gap_m2[i]) if rows.gaps[i] else "–",
            )
            for i in range(len(rows))
        ],
        numbers=frozenset(range(2, 7 + careful)),
    )
    order = np.argsort(-gaps.area_m2, kind="stable")[:MOST_GAPS]
    left_out = len(gaps) - order.size
    missed = Table(
        caption="Gaps, largest first",
        header=("gap", "pass", "area", "width", "why"),
        rows=[
            (
                gaps.gap_id[i],
                str(gaps.pass_no[i]),
                format_area(gaps.area_m2[i]),
                format_length(gaps.width_m[i]) if np.isfinite(gaps.width_m[i]) else "–",
                gaps.reason[i],
            )
            for i in order
        ],
        numbers=frozenset({1, 2, 3}),
        more=f"{left_out} smaller gaps are in the layer gaps." if left_out else "",
    )
    return Section(
        key="coverage",
        heading="Covered and missed",
        tables=[figures, missed] if len(gaps) else [figures],
        paragraphs=[] if len(gaps) else ["No gap of the size asked for is left in any pass."],
    )


def sessions(contents: Contents) -> Section | None:
    """Sessions, the checks made in them, and the runs that do not count."""
    rows, checks, runs = contents.of(Sessions), contents.of(Checks), contents.of(Runs)
    if not len(rows):
        return None
    accepted = {
        s: float(runs.length_m[(runs.session_id == s) & runs.accepted].sum())
        for s in rows.session_id
    }
    made = Table(
        caption="Sessions",
        header=(
            "session",
            "from (UTC)",
            "to (UTC)",
            "operator",
            "instrument",
            "tuning",
            "accepted",
        ),
        rows=[
            (
                rows.session_id[i] + (" (struck out)" if rows.struck[i] else ""),
                time_text(rows.start_utc[i]),
                time_text(rows.finish_utc[i]),
                rows.operator[i],
                rows.instrument[i],
                rows.tuning[i],
                format_length(accepted[rows.session_id[i]]),
            )
            for i in range(len(rows))
        ],
        numbers=frozenset({6}),
        unbroken=frozenset({1, 2}),
    )
    tested = Table(
        caption="Instrument checks",
        header=("check", "session", "time (UTC)", "kind", "result", "remark"),
        rows=[
            (
                checks.check_id[i] + (" (struck out)" if checks.struck[i] else ""),
                checks.session_id[i],
                time_text(checks.time_utc[i]),
                checks.kind[i],
                "passed" if checks.passed[i] else "FAILED",
                checks.note[i],
            )
            for i in range(len(checks))
        ],
        unbroken=frozenset({2}),
    )
    reasons = np.unique(runs.reason[~runs.accepted].astype(str))
    refused = Table(
        caption="Runs that do not count, by reason",
        header=("reason", "runs", "length"),
        rows=[
            (
                reason,
                str(int(((runs.reason == reason) & ~runs.accepted).sum())),
                format_length(float(runs.length_m[(runs.reason == reason) & ~runs.accepted].sum())),
            )
            for reason in reasons.tolist()
        ],
        numbers=frozenset({1, 2}),
    )
    return Section(
        key="sessions",
        heading="Sessions and checks",
        paragraphs=[doubt.sentence for doubt in doubts(runs, rows, checks)]
        if len(checks)
        else ["No check of the instrument is on record."],
        tables=[table for table in (made, tested, refused) if table.rows],
    )


def time_text(when: np.datetime64) -> str:
    """Time to the minute, or a dash where it is unknown."""
    if np.isnat(when):
        return "–"
    return str(when.astype("datetime64[m]")).replace("T", " ")
