"""Every layer of a job, declared once: name, geometry, columns, units, meaning.

The job's tables, the checks made on reading, ``gridtools layers`` and docs/layers.md all come from
these classes. Coordinates are in metres in the job's (metric) CRS; times are ``datetime64[ms]`` in
UTC.
"""

from dataclasses import dataclass, fields
from typing import Annotated

from gridtools.columns import Blob, Col, Flag, Geometry, Layer, Real, Text, Time, Whole

# --- what the user brings -------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class Site(Layer):
    """Boundary of the ground to be searched."""

    table = "site"
    meaning = "boundary of the ground to be searched"
    geometry_type = "Polygon"
    user_owned = True
    geometry: Geometry
    name: Annotated[Text, Col("name of the site or of this part of it")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Exclusion(Layer):
    """Ground that is not to be walked."""

    table = "exclusion"
    meaning = "ground that is not to be walked, buffer included"
    geometry_type = "Polygon"
    user_owned = True
    geometry: Geometry
    reason: Annotated[Text, Col("why it is not walked")]
    buffer_m: Annotated[Real, Col("distance kept from the object, already in the outline")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Interference(Layer):
    """Standoff zone of a known source of false response."""

    table = "interference"
    meaning = "standoff zone of a known source of false response: walked, but proves little"
    geometry_type = "Polygon"
    user_owned = True
    geometry: Geometry
    kind: Annotated[Text, Col("fence, pipe, cable, power line, parked plant and so on")]
    standoff_m: Annotated[Real, Col("distance from the source, already in the outline")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Control(Layer):
    """Known points on the ground that tie the local grid to the job CRS."""

    table = "control"
    meaning = "known points that tie the local grid to the job CRS"
    geometry_type = "Point"
    user_owned = True
    geometry: Geometry
    name: Annotated[Text, Col("name of the mark")]
    local_e_m: Annotated[Real, Col("easting in the local grid")]
    local_n_m: Annotated[Real, Col("northing in the local grid")]
    height_m: Annotated[Real, Col("height of the mark")]
    accuracy_m: Annotated[Real, Col("standard error of the position")]
    source: Annotated[Text, Col("where the coordinates came from")]


# --- the plan -------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class SearchArea(Layer):
    """Site minus exclusions, split by confidence."""

    table = "search_area"
    meaning = "site minus exclusions; inside a standoff confidence is reduced"
    made_by = "area"
    geometry_type = "MultiPolygon"
    geometry: Geometry
    confidence: Annotated[Text, Col("full, or reduced inside a standoff")]
    area_m2: Annotated[Real, Col("area")]


@dataclass(frozen=True, kw_only=True, eq=False)
class SweepWidths(Layer):
    """Lateral range curves: one for each instrument, tuning, object, depth and ground."""

    table = "sweep_widths"
    meaning = "lateral range curves; the setting sweep_curve names the one in use"
    made_by = "spacing"
    id_column = "curve_id"
    curve_id: Annotated[Text, Col("W001 and on")]
    name: Annotated[Text, Col("what it is for, in short")]
    kind: Annotated[
        Text,
        Col(
            "law: definite range, inverse cube, half-normal, hazard rate or logistic; empty where "
            "only the width is known"
        ),
    ]
    width_m: Annotated[Real, Col("sweep width")]
    low_m: Annotated[Real, Col("lower end of its 90 % interval")]
    high_m: Annotated[Real, Col("upper end of its 90 % interval")]
    parameters: Annotated[Text, Col("what else shapes the curve, as JSON")]
    low_curve: Annotated[
        Text, Col("worst curve that the test passes allow at the lane spacing, as JSON")
    ]
    basis: Annotated[Text, Col("given, measured or assumed")]
    trials: Annotated[Whole, Col("test passes behind it")]
    dependence: Annotated[Real, Col("how far repeats only repeat: 0 not at all, 1 wholly")]
    instrument: Annotated[Text, Col("instrument and set-up")]
    tuning: Annotated[Text, Col("motion or static")]
    object: Annotated[Text, Col("object that it holds for")]
    depth_m: Annotated[Real, Col("ground level to top of the object")]
    ground: Annotated[Text, Col("ground that it holds for")]
    stored_utc: Annotated[Time, Col("when it was stored")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Lanes(Layer):
    """Planned lines to walk, in walking direction."""

    table = "lanes"
    meaning = "planned straight lines to walk, drawn in walking direction"
    made_by = "lanes"
    geometry_type = "LineString"
    id_column = "lane_id"
    geometry: Geometry
    lane_id: Annotated[Text, Col("pass and number, with a letter for each leg of a split lane")]
    pass_no: Annotated[Whole, Col("1 or 2; 0 for a recheck lane")]
    seq: Annotated[Whole, Col("walking order in the job, from 1")]
    length_m: Annotated[Real, Col("length along the lane")]
    bearing_deg: Annotated[Real, Col("walking direction from grid north")]
    true_bearing_deg: Annotated[Real, Col("walking direction from true north")]
    magnetic_bearing_deg: Annotated[Real, Col("walking direction from magnetic north")]
    start_peg: Annotated[Text, Col("peg at the start")]
    finish_peg: Annotated[Text, Col("peg at the finish")]

    @staticmethod
    def joined(*layers: "Lanes") -> "Lanes":
        """Lanes, infill and recheck lanes as one layer of plain lanes."""
        plain = [{f.name: getattr(layer, f.name) for f in fields(Lanes)} for layer in layers]
        return Lanes.concat([Lanes(**columns) for columns in plain])


@dataclass(frozen=True, kw_only=True, eq=False)
class Pegs(Layer):
    """What to set out with tape."""

    table = "pegs"
    meaning = "pegs to set out with tape"
    made_by = "pegs"
    geometry_type = "Point"
    id_column = "peg_id"
    geometry: Geometry
    peg_id: Annotated[Text, Col("what to write on the peg")]
    role: Annotated[Text, Col("lane end, baseline, intermediate or control")]
    lane_id: Annotated[Text, Col("lane that the peg belongs to")]
    local_e_m: Annotated[Real, Col("easting in the local grid")]
    local_n_m: Annotated[Real, Col("northing in the local grid")]
    tape_m: Annotated[Real, Col("reading on the tape laid along its line")]
    line: Annotated[Text, Col("line of the tape: two pegs, a lane, or a control mark")]
    offset_m: Annotated[Real, Col("second tape: from that line at right angles to the peg")]


# --- the walk -------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class Logs(Layer):
    """Every log taken in, byte for byte."""

    table = "logs"
    meaning = "every log taken in, byte for byte"
    id_column = "log_id"
    user_owned = True
    log_id: Annotated[Text, Col("L001 and on")]
    name: Annotated[Text, Col("file name")]
    sha256: Annotated[Text, Col("SHA-256 of the file's bytes, hexadecimal")]
    content: Annotated[Blob, Col("the file's bytes, zlib-compressed")]
    taken_utc: Annotated[Time, Col("when it was taken in")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Sessions(Layer):
    """Outings with one instrument set-up each."""

    table = "sessions"
    meaning = "one outing with one instrument set-up"
    id_column = "session_id"
    user_owned = True
    session_id: Annotated[Text, Col("S001 and on")]
    log_id: Annotated[Text, Col("log that it came from")]
    operator: Annotated[Text, Col("who walked")]
    instrument: Annotated[Text, Col("instrument and set-up")]
    tuning: Annotated[Text, Col("motion (retunes by itself) or static")]
    start_utc: Annotated[Time, Col("first record")]
    finish_utc: Annotated[Time, Col("last record")]
    ahead_m: Annotated[Real, Col("coil midpoint ahead of the GPS antenna")]
    right_m: Annotated[Real, Col("coil midpoint to the right of the GPS antenna")]
    accuracy_m: Annotated[Real, Col("standard error of a fix, each axis")]
    positions: Annotated[Text, Col("gps, or lane where the lane itself gives the position")]
    struck: Annotated[Flag, Col("struck out by amend")]
    note: Annotated[Text, Col("remark, with the reason if struck")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Checks(Layer):
    """Function and ground checks of the instrument."""

    table = "checks"
    meaning = "function and ground checks of the instrument"
    id_column = "check_id"
    user_owned = True
    check_id: Annotated[Text, Col("K001 and on")]
    session_id: Annotated[Text, Col("session")]
    time_utc: Annotated[Time, Col("when")]
    kind: Annotated[Text, Col("function or ground")]
    passed: Annotated[Flag, Col("whether it passed")]
    struck: Annotated[Flag, Col("struck out by amend")]
    note: Annotated[Text, Col("remark, with the reason if struck")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Fixes(Layer):
    """Time-stamped positions of the GPS antenna."""

    table = "fixes"
    meaning = "time-stamped positions of the antenna"
    geometry_type = "Point"
    id_column = "fix_id"
    user_owned = True
    geometry: Geometry
    fix_id: Annotated[Text, Col("F000001 and on")]
    session_id: Annotated[Text, Col("session")]
    time_utc: Annotated[Time, Col("when")]
    segment: Annotated[Whole, Col("track segment of the log; between two the fixes are broken")]
    stated_lane: Annotated[Text, Col("lane that the walker stated, empty if none")]
    struck: Annotated[Flag, Col("belongs to a run struck out by amend")]
    speed_mps: Annotated[Real, Col("walking speed in metres a second", derived=True)]
    run_id: Annotated[Text, Col("run that the fix belongs to", derived=True)]


@dataclass(frozen=True, kw_only=True, eq=False)
class Tape(Layer):
    """Stretches of lane walked, from notes made with a tape."""

    table = "tape"
    meaning = "stretches of lane walked, from tape notes"
    id_column = "tape_id"
    user_owned = True
    tape_id: Annotated[Text, Col("T001 and on")]
    session_id: Annotated[Text, Col("session")]
    lane_id: Annotated[Text, Col("lane")]
    from_m: Annotated[Real, Col("chainage where the stretch began")]
    to_m: Annotated[Real, Col("chainage where it ended; below from_m if walked backwards")]
    time_utc: Annotated[Time, Col("when")]
    struck: Annotated[Flag, Col("struck out by amend")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Runs(Layer):
    """Continuous walks along a lane."""

    table = "runs"
    meaning = "continuous walks along a lane, as walked by the coil midpoint"
    made_by = "record"
    geometry_type = "LineString"
    id_column = "run_id"
    geometry: Geometry
    run_id: Annotated[Text, Col("session and number, S001-0001 and on")]
    session_id: Annotated[Text, Col("session")]
    lane_id: Annotated[Text, Col("lane walked, empty if none")]
    pass_no: Annotated[Whole, Col("1 or 2; 0 for a recheck lane or off any lane")]
    heading_deg: Annotated[Real, Col("direction walked from grid north")]
    start_utc: Annotated[Time, Col("start")]
    finish_utc: Annotated[Time, Col("finish")]
    length_m: Annotated[Real, Col("length walked")]
    speed_mps: Annotated[Real, Col("mean speed in metres a second")]
    offline_rms_m: Annotated[Real, Col("root mean square distance from the lane")]
    accepted: Annotated[Flag, Col("whether it counts as covered")]
    reason: Annotated[
        Text,
        Col(
            "why not accepted: dwell, too fast, off lane, break in fixes, turn, failed check "
            "or struck"
        ),
    ]


@dataclass(frozen=True, kw_only=True, eq=False)
class Hits(Layer):
    """Logged responses."""

    table = "hits"
    meaning = "logged responses"
    geometry_type = "Point"
    id_column = "hit_id"
    user_owned = True
    geometry: Geometry
    hit_id: Annotated[Text, Col("H0001 and on")]
    session_id: Annotated[Text, Col("session")]
    time_utc: Annotated[Time, Col("when")]
    part: Annotated[Text, Col("start, peak or end of a response, or empty")]
    response_m: Annotated[Real, Col("length of the response along the walk", derived=True)]
    strength: Annotated[Real, Col("strength as logged, in the instrument's own scale")]
    struck: Annotated[Flag, Col("struck out by amend")]
    note: Annotated[Text, Col("remark, with the reason if struck")]
    placed: Annotated[
        Text,
        Col(
            "how it was placed: gps, track (by its time), or lane, lane forward or lane backward "
            "(by lane and chainage, with the direction walked)"
        ),
    ]
    run_id: Annotated[Text, Col("run on which it was logged", derived=True)]
    lane_id: Annotated[Text, Col("lane on which it was logged", derived=True)]
    chainage_m: Annotated[Real, Col("distance along the lane from its start", derived=True)]
    heading_deg: Annotated[Real, Col("direction walked from grid north", derived=True)]


# --- what was covered -----------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class Covered(Layer):
    """Ground of the search area that accepted runs covered."""

    table = "covered"
    meaning = "ground of the search area within half a sweep width of an accepted run"
    made_by = "coverage"
    geometry_type = "MultiPolygon"
    geometry: Geometry
    pass_no: Annotated[Whole, Col("1 or 2")]
    area_m2: Annotated[Real, Col("area")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Gaps(Layer):
    """Ground that a pass left uncovered."""

    table = "gaps"
    meaning = "ground of the search area that a pass left uncovered"
    made_by = "coverage"
    geometry_type = "Polygon"
    id_column = "gap_id"
    geometry: Geometry
    gap_id: Annotated[Text, Col("pass and number, 1-001 and on")]
    pass_no: Annotated[Whole, Col("1 or 2")]
    area_m2: Annotated[Real, Col("area")]
    width_m: Annotated[Real, Col("diameter of the largest circle that fits in it")]
    reason: Annotated[Text, Col("why it was left")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Infill(Lanes):
    """Lanes to walk to close the gaps."""

    table = "infill"
    meaning = "lanes to walk to close the gaps, drawn in walking direction"
    made_by = "coverage"
    reason: Annotated[
        Text,
        Col("gap that it closes; walked, or closed if its gap is gone otherwise, once not to walk"),
    ]


@dataclass(frozen=True, kw_only=True, eq=False)
class Recheck(Lanes):
    """Short lanes whose walk would settle a candidate."""

    table = "recheck"
    meaning = "short lanes whose walk would settle a candidate"
    made_by = "candidates"
    candidate_id: Annotated[Text, Col("candidate that it would settle")]
    reason: Annotated[Text, Col("what it would tell, or closed once it serves no longer")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Coverage(Layer):
    """Coverage in figures."""

    table = "coverage"
    meaning = "coverage in figures, by part and confidence"
    made_by = "coverage"
    part: Annotated[Text, Col("pass 1, pass 2, either or both")]
    confidence: Annotated[Text, Col("full, reduced or all")]
    search_m2: Annotated[Real, Col("search area")]
    covered_m2: Annotated[Real, Col("covered area")]
    percent: Annotated[Real, Col("covered share")]
    cautious_percent: Annotated[Real, Col("covered share with the sweep cut by fix accuracy")]
    gaps: Annotated[Whole, Col("gaps listed")]
    largest_gap_m2: Annotated[Real, Col("area of the largest gap")]
    slivers: Annotated[Whole, Col("gaps too small to list")]
    slivers_m2: Annotated[Real, Col("their area together")]


# --- what may be there ----------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class Candidates(Layer):
    """Places where the crossings agree."""

    table = "candidates"
    meaning = "places where the crossings agree"
    made_by = "candidates"
    geometry_type = "Point"
    id_column = "candidate_id"
    geometry: Geometry
    candidate_id: Annotated[Text, Col("C001 and on")]
    p_metal: Annotated[Real, Col("chance that it is metal, 0 to 1")]
    verdict: Annotated[Text, Col("metal, ground edge or unresolved")]
    hits: Annotated[Whole, Col("hits that it explains")]
    crossings: Annotated[Whole, Col("accepted runs that passed within reach")]
    headings_hit: Annotated[Text, Col("compass headings that gave a hit")]
    headings_unwalked: Annotated[Text, Col("headings of the plan not yet walked here")]
    sigma_m: Annotated[Real, Col("standard error of the position, each axis")]
    axis_deg: Annotated[Real, Col("direction of a long object; unknown otherwise")]
    strength: Annotated[Real, Col("median strength of its hits")]
    rank: Annotated[Whole, Col("order of interest, from 1")]
    status: Annotated[Text, Col("open, dug, dropped or gone", kept=True)]
    note: Annotated[Text, Col("remark", kept=True)]


@dataclass(frozen=True, kw_only=True, eq=False)
class Evidence(Layer):
    """Crossings that speak for or against a candidate."""

    table = "evidence"
    meaning = "every accepted run that passed within reach of a candidate, hit or not"
    made_by = "candidates"
    geometry_type = "LineString"
    geometry: Geometry
    candidate_id: Annotated[Text, Col("candidate")]
    run_id: Annotated[Text, Col("run that passed")]
    hit_id: Annotated[Text, Col("hit on that run, empty if it stayed silent")]
    lateral_m: Annotated[Real, Col("distance of the candidate from the run, right of it positive")]
    heading_deg: Annotated[Real, Col("direction walked from grid north")]
    responded: Annotated[Flag, Col("whether the run gave a hit here")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Edges(Layer):
    """Lines along which hits come on one heading only."""

    table = "edges"
    meaning = "lines along which hits come on one heading only"
    made_by = "candidates"
    geometry_type = "LineString"
    id_column = "edge_id"
    geometry: Geometry
    edge_id: Annotated[Text, Col("E001 and on")]
    hits: Annotated[Whole, Col("hits along it")]
    heading_deg: Annotated[Real, Col("heading across it that gives hits")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Approaches(Layer):
    """Points where a response starts, or flagged centres."""

    table = "approaches"
    meaning = "where a response starts on one approach, or the flagged centre"
    geometry_type = "Point"
    id_column = "approach_id"
    user_owned = True
    geometry: Geometry
    approach_id: Annotated[Text, Col("A001 and on")]
    session_id: Annotated[Text, Col("session whose instrument and set-up it was, if known")]
    candidate_id: Annotated[Text, Col("candidate approached")]
    kind: Annotated[Text, Col("onset or centre")]
    heading_deg: Annotated[Real, Col("direction walked from grid north")]
    distance_m: Annotated[Real, Col("taped distance from onset to flag")]
    start_distance_m: Annotated[Real, Col("how far off the approach began")]
    leading_coil: Annotated[Text, Col("which coil led: front, rear or empty")]
    placed: Annotated[
        Text,
        Col("where its place is from: gps (the antenna), survey (the coils) or tape (from a flag)"),
    ]
    accuracy_m: Annotated[Real, Col("standard error of its place, each axis; unknown if not said")]
    time_utc: Annotated[Time, Col("when")]
    struck: Annotated[Flag, Col("struck out by amend")]
    note: Annotated[Text, Col("remark, with the reason if struck")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Pinpoints(Layer):
    """Centres fixed from several approaches, with depth."""

    table = "pinpoints"
    meaning = "centres fixed from several approaches, with depth"
    geometry_type = "Point"
    id_column = "candidate_id"
    made_by = "pinpoint"
    geometry: Geometry
    candidate_id: Annotated[Text, Col("candidate")]
    approaches: Annotated[Whole, Col("onsets and flags used")]
    semi_major_m: Annotated[Real, Col("longer half-axis of the 90 % error ellipse")]
    semi_minor_m: Annotated[Real, Col("shorter half-axis of the 90 % error ellipse")]
    axis_deg: Annotated[Real, Col("direction of the longer half-axis from grid north")]
    onset_m: Annotated[Real, Col("distance from onset to centre from which the depth was reckoned")]
    onset_sd_m: Annotated[Real, Col("its standard error")]
    depth_m: Annotated[Real, Col("ground level to top of the object")]
    depth_sd_m: Annotated[Real, Col("standard error of the depth")]
    carry_height_m: Annotated[Real, Col("height of the coils above ground, taken off the depth")]
    basis: Annotated[Text, Col("rule that gave the depth; at least, if it may lie deeper")]
    disagree: Annotated[Text, Col("approaches that do not fit, left out or not")]
    missing: Annotated[Text, Col("what would make it surer")]
    instrument: Annotated[Text, Col("instrument and set-up")]
    tuning: Annotated[Text, Col("motion or static")]


# --- what was done about it -----------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class Permits(Layer):
    """Leave to dig: from the landowner, the owners of services, the authorities."""

    table = "permits"
    meaning = "leave to dig, with the time for which it holds"
    id_column = "permit_id"
    user_owned = True
    permit_id: Annotated[Text, Col("P001 and on")]
    kind: Annotated[Text, Col("landowner, services, heritage, ecology or other")]
    reference: Annotated[Text, Col("number of the ticket or letter")]
    from_utc: Annotated[Time, Col("valid from")]
    to_utc: Annotated[Time, Col("valid to; unknown if it holds until withdrawn")]
    struck: Annotated[Flag, Col("struck out by amend")]
    note: Annotated[Text, Col("remark, with the reason if struck")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Digs(Layer):
    """Places to dig, ranked."""

    table = "digs"
    meaning = "places to dig, ranked"
    made_by = "digs"
    geometry_type = "Point"
    id_column = "dig_id"
    geometry: Geometry
    dig_id: Annotated[Text, Col("D001 and on")]
    candidate_id: Annotated[Text, Col("candidate")]
    rank: Annotated[Whole, Col("order, from 1")]
    picked: Annotated[Flag, Col("ready, and within the hours given if there was a budget")]
    visit: Annotated[Whole, Col("order on foot of those picked, from 1; 0 for the others")]
    consequence: Annotated[
        Text, Col("possible container, possible service, suspected munition or scrap")
    ]
    p_metal: Annotated[Real, Col("chance that it is metal, 0 to 1")]
    depth_m: Annotated[Real, Col("ground level to top of the object")]
    depth_sd_m: Annotated[Real, Col("standard error of the depth")]
    error_m: Annotated[Real, Col("the object's centre lies this near with a chance of 90 %")]
    hole_depth_m: Annotated[Real, Col("depth of the hole")]
    top_length_m: Annotated[Real, Col("length of the hole at ground level")]
    top_width_m: Annotated[Real, Col("width of the hole at ground level")]
    axis_deg: Annotated[Real, Col("direction of its length from grid north")]
    volume_m3: Annotated[Real, Col("volume of the hole")]
    hours: Annotated[Real, Col("time to dig, lift, re-check and fill back")]
    cautions: Annotated[Text, Col("what to mind")]
    hold: Annotated[Text, Col("why it may not be dug yet")]
    recheck: Annotated[Text, Col("hole and spoil after the last lift: quiet, responds or not made")]
    status: Annotated[Text, Col("open, dug, dropped or gone", kept=True)]
    expected: Annotated[
        Text, Col("what is expected: container, service, munition or scrap", kept=True)
    ]
    note: Annotated[Text, Col("remark", kept=True)]


@dataclass(frozen=True, kw_only=True, eq=False)
class DigPegs(Layer):
    """Reference pegs outside the holes, from which the centre is found again."""

    table = "dig_pegs"
    meaning = "two reference pegs outside each hole: the digger removes the one at the centre"
    made_by = "digs"
    geometry_type = "Point"
    id_column = "peg_id"
    geometry: Geometry
    peg_id: Annotated[Text, Col("dig and a letter, D001a and on")]
    dig_id: Annotated[Text, Col("dig")]
    distance_m: Annotated[Real, Col("on the tape from the peg to the centre")]
    bearing_deg: Annotated[Real, Col("from the peg to the centre, from grid north")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Outcomes(Layer):
    """What came out."""

    table = "outcomes"
    meaning = "what came out, one row for each lift"
    geometry_type = "Point"
    id_column = "outcome_id"
    user_owned = True
    geometry: Geometry
    outcome_id: Annotated[Text, Col("O001 and on")]
    dig_id: Annotated[Text, Col("dig")]
    found: Annotated[Text, Col("what it was, or nothing")]
    metal: Annotated[Flag, Col("whether it was metal")]
    depth_m: Annotated[Real, Col("ground level to top of the object")]
    length_m: Annotated[Real, Col("length")]
    width_m: Annotated[Real, Col("width")]
    height_m: Annotated[Real, Col("height")]
    material: Annotated[Text, Col("material")]
    dug_to_m: Annotated[Real, Col("depth to which the hole was dug")]
    placed: Annotated[
        Text, Col("where the place is from: survey, tape, gps, or dig if none was measured")
    ]
    recheck: Annotated[
        Text, Col("hole and spoil swept again after the lift: quiet, responds, or empty")
    ]
    time_utc: Annotated[Time, Col("when")]
    struck: Annotated[Flag, Col("struck out by amend")]
    note: Annotated[Text, Col("remark, with the reason if struck")]


@dataclass(frozen=True, kw_only=True, eq=False)
class DepthFactors(Layer):
    """What outcomes taught about depth, for each instrument set-up."""

    table = "depth_factors"
    meaning = "depth below the coils over onset distance, learned for each instrument set-up"
    made_by = "outcomes"
    instrument: Annotated[Text, Col("instrument and set-up")]
    tuning: Annotated[Text, Col("motion or static")]
    factor: Annotated[Real, Col("depth below the coils over distance from onset to centre")]
    low: Annotated[Real, Col("lower end of its 90 % interval")]
    high: Annotated[Real, Col("upper end of its 90 % interval; unknown if there is none")]
    scatter: Annotated[Real, Col("standard deviation of single objects about it, as a share")]
    digs: Annotated[Whole, Col("digs behind it")]
    basis: Annotated[Text, Col("where it is from")]


# --- how it came about ----------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class Settings(Layer):
    """Chosen parameters and where they came from."""

    table = "settings"
    meaning = "chosen parameters and where they came from"
    key: Annotated[Text, Col("parameter")]
    value: Annotated[Text, Col("value")]
    unit: Annotated[Text, Col("unit of the value")]
    basis: Annotated[Text, Col("given, measured or assumed")]
    set_by: Annotated[Text, Col("command that set it")]
    set_utc: Annotated[Time, Col("when")]


@dataclass(frozen=True, kw_only=True, eq=False)
class History(Layer):
    """Every change made by a command."""

    table = "history"
    meaning = "every change made by a command"
    entry: Annotated[Whole, Col("number, from 1")]
    command: Annotated[Text, Col("command")]
    options: Annotated[Text, Col("its options, as JSON")]
    version: Annotated[Text, Col("version of gridtools")]
    start_utc: Annotated[Time, Col("when it started")]
    seconds: Annotated[Real, Col("how long it took")]
    inputs: Annotated[Text, Col("what it read: digest by layer or setting, as JSON")]
    outputs: Annotated[Text, Col("layers that it wrote, as JSON")]


ALL_LAYERS: tuple[type[Layer], ...] = (
    Site, Exclusion, Interference, Control, SearchArea, SweepWidths, Lanes, Pegs,
    Logs, Sessions, Checks, Fixes, Tape, Runs, Hits,
    Covered, Gaps, Infill, Recheck, Coverage,
    Candidates, Evidence, Edges, Approaches, Pinpoints,
    Permits, Digs, DigPegs, Outcomes, DepthFactors, Settings, History,
)  # fmt: skip
