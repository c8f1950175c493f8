import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from gridtools.errors import InputError, MissingError
from gridtools.layers import Control, Lanes
from gridtools.plan.pegs import lane_pegs, set_out
from gridtools.units import bearing_of


def walked(
    bearing=0.0, *, count=5, spacing=2.0, length=70.0, ragged=0.0, at=(1000.0, 2000.0), seed=1
):
    """Two passes at right angles over a rough rectangle, in serpentine, turned and shifted."""
    rng = np.random.default_rng(seed)
    lines, passes = [], []
    width = (count + 1) * spacing
    for pass_no, (number, long, wide) in enumerate(
        [(count, length, width), (max(1, int(length / spacing) - 1), width, length)], start=1
    ):
        for i in range(number):
            across = (i + 1) * wide / (number + 1)
            low, high = rng.uniform(0, ragged), long - rng.uniform(0, ragged)
            ends = [(across, low), (across, high)]
            if pass_no == 2:
                ends = [(y, x) for x, y in ends]
            lines.append(ends if i % 2 == 0 else ends[::-1])
            passes.append(pass_no)
    xy = np.array(lines, dtype=float)
    turn = math.radians(bearing)
    turned = xy @ [[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]] + at
    step = turned[:, 1] - turned[:, 0]
    number = [sum(p == q for q in passes[: i + 1]) for i, p in enumerate(passes)]
    ids = [f"{p}-{n:03d}" for p, n in zip(passes, number, strict=True)]
    start, finish = lane_pegs(ids)
    return Lanes.build(
        geometry=shapely.linestrings(turned),
        lane_id=ids,
        pass_no=passes,
        length_m=np.hypot(*step.T),
        bearing_deg=bearing_of(*step.T),
        start_peg=start,
        finish_peg=finish,
    )


def by_id(pegs):
    return {name: i for i, name in enumerate(pegs.peg_id)}


sites = st.builds(
    walked,
    st.floats(0.0, 359.0),
    count=st.integers(1, 8),
    spacing=st.floats(1.0, 4.0),
    length=st.floats(8.0, 180.0),
    ragged=st.floats(0.0, 3.0),
    seed=st.integers(0, 99),
)


@settings(max_examples=30, deadline=None)
@given(sites, st.floats(10.0, 60.0), st.floats(0.0, 25.0))
def test_set_out__readings_rebuild_every_lane_end(lanes, tape, slope):
    """A person with two tapes and a right angle, by plain trigonometry, stands on each end."""
    pegging = set_out(lanes, tape_m=tape, slope_deg=slope)
    pegs, index = pegging.pegs, by_id(pegging.pegs)
    level = math.cos(math.radians(slope))
    xy = shapely.get_coordinates(pegs.geometry)
    centre = xy[[index[f"P00{i}"] for i in (1, 2, 3, 4)]].mean(axis=0)
    for lane, line in zip(lanes.lane_id, lanes.geometry, strict=True):
        for peg, place in ((f"{lane}s", line.coords[0]), (f"{lane}f", line.coords[-1])):
            i = index[peg]
            first, second = (xy[index[p]] for p in pegs.line[i].split("-"))
            angle = math.atan2(second[0] - first[0], second[1] - first[1])
            reading, offset = pegs.tape_m[i] * level, pegs.offset_m[i] * level
            inward = angle + math.pi / 2
            towards = centre - first
            if towards[0] * math.sin(inward) + towards[1] * math.cos(inward) < 0:
                inward = angle - math.pi / 2
            east = first[0] + reading * math.sin(angle) + offset * math.sin(inward)
            north = first[1] + reading * math.cos(angle) + offset * math.cos(inward)
            assert (east, north) == pytest.approx(place, abs=1e-6)
            assert reading >= -1e-6
            # Never further off than the middle of the frame: the nearer baseline was taken.
            depth = pegging.baselines[2 if pegs.line[i] in ("P001-P002", "P004-P003") else 0]
            assert -1e-6 <= offset <= 0.5 * depth.length_m + 1e-6


@settings(max_examples=30, deadline=None)
@given(sites, st.floats(10.0, 60.0))
def test_set_out__both_ends_of_every_lane_and_names_used_once(lanes, tape):
    pegs = set_out(lanes, tape_m=tape).pegs
    ends = set(pegs.peg_id[pegs.role == "lane end"])
    assert ends == set(lanes.start_peg) | set(lanes.finish_peg)
    assert len(set(pegs.peg_id)) == len(pegs)
    others = pegs.peg_id[pegs.role != "lane end"].tolist()
    assert others == [f"P{i:03d}" for i in range(1, len(others) + 1)]
    assert len(set(pegs.feature_ids().tolist())) == len(pegs)


@settings(max_examples=30, deadline=None)
@given(sites, st.floats(10.0, 60.0), st.floats(0.0, 25.0), st.floats(0.0, 360.0))
def test_set_out__no_stretch_is_longer_than_the_tape(lanes, tape, slope, fall):
    """Measured between pegs along the slope, in space, not from the readings."""
    pegs = set_out(lanes, tape_m=tape, slope_deg=slope, fall_bearing_deg=fall).pegs
    xy = shapely.get_coordinates(pegs.geometry)
    down = np.array([math.sin(math.radians(fall)), math.cos(math.radians(fall))])
    space = np.column_stack([xy, -math.tan(math.radians(slope)) * (xy @ down)])
    index = by_id(pegs)
    for lane in lanes.lane_id:
        between = np.flatnonzero((pegs.lane_id == lane) & (pegs.role == "intermediate"))
        row = space[[index[f"{lane}s"], *between, index[f"{lane}f"]]]
        stretches = np.linalg.norm(np.diff(row, axis=0), axis=1)
        assert (stretches <= tape + 1e-5).all()
        # The last peg may stand halfway, where it would crowd the finish peg.
        assert stretches[:-2] == pytest.approx(tape, abs=1e-6)
        assert pegs.tape_m[between] == pytest.approx(np.cumsum(stretches)[:-1], abs=1e-5)


@settings(max_examples=30, deadline=None)
@given(sites, st.floats(0.995, 1.005))
def test_set_out__frame_is_square_and_holds_every_lane_end(lanes, scale):
    pegging = set_out(lanes, grid_scale=scale)
    one, other = pegging.diagonals
    assert one.length_m == pytest.approx(other.length_m, abs=1e-7)
    across, across_far, along, along_right = pegging.baselines
    assert across.length_m == pytest.approx(across_far.length_m, abs=1e-7)
    assert along.length_m == pytest.approx(along_right.length_m, abs=1e-7)
    assert one.length_m == pytest.approx(math.hypot(across.length_m, along.length_m), abs=1e-7)
    assert across.length_m == pytest.approx(round(across.length_m), abs=1e-6)
    corners = pegging.pegs.geometry[:4]
    frame = shapely.Polygon([(p.x, p.y) for p in corners]).buffer(1e-6)
    assert all(shapely.contains(frame, lanes.geometry))


@settings(max_examples=25, deadline=None)
@given(sites, st.floats(0.0, 359.0), st.booleans())
def test_set_out__local_and_crs_coordinates_agree_under_the_transform(lanes, turn, tied):
    control = None
    if tied:
        r = math.radians(turn)
        xy = np.array([[900.0, 1900.0], [1200.0, 1950.0], [1100.0, 2300.0]])
        local = (xy - [950, 1990]) @ [[math.cos(r), -math.sin(r)], [math.sin(r), math.cos(r)]]
        control = Control.build(
            geometry=shapely.points(xy),
            name=["a", "b", "c"],
            local_e_m=local[:, 0],
            local_n_m=local[:, 1],
            accuracy_m=0.02,
        )
    pegging = set_out(lanes, control)
    pegs = pegging.pegs
    xy = shapely.get_coordinates(pegs.geometry)
    local = np.column_stack([pegs.local_e_m, pegs.local_n_m])
    assert pegging.conformal.apply(local) == pytest.approx(xy, abs=1e-6)
    # Distances between pegs are the same in both grids: the local one is in metres on the ground.
    assert np.hypot(*(local[1:] - local[:-1]).T) == pytest.approx(
        np.hypot(*(xy[1:] - xy[:-1]).T), abs=1e-6
    )
    if tied:
        assert pegs.local_e_m[pegs.role == "control"] == pytest.approx(control.local_e_m, abs=1e-6)
    else:
        assert local[0] == pytest.approx([0.0, 0.0], abs=1e-6)


def test_set_out__ties_find_the_corners_from_the_marks():
    """Two circles about two marks meet at the corner; the third distance chooses which."""
    control = Control.build(
        geometry=shapely.points([[990.0, 1990.0], [1030.0, 1985.0], [1005.0, 2100.0]]),
        name=["gatepost", "kerb", "pole"],
    )
    pegging = set_out(walked(17.0, ragged=2.0), control)
    xy = dict(zip(pegging.pegs.peg_id, shapely.get_coordinates(pegging.pegs.geometry), strict=True))
    marks = dict(zip(control.name, shapely.get_coordinates(control.geometry), strict=True))
    for corner in ("P001", "P002", "P003", "P004"):
        ties = [t for t in pegging.ties if t.to_peg == corner]
        assert len(ties) == 3
        (x0, y0), (x1, y1) = (marks[t.from_peg] for t in ties[:2])
        r0, r1 = ties[0].length_m, ties[1].length_m
        d = math.hypot(x1 - x0, y1 - y0)
        along = (r0**2 - r1**2 + d**2) / (2 * d)
        aside = math.sqrt(max(0.0, r0**2 - along**2))
        ux, uy = (x1 - x0) / d, (y1 - y0) / d
        meets = [
            (x0 + along * ux + s * aside * uy, y0 + along * uy - s * aside * ux) for s in (1, -1)
        ]
        third = marks[ties[2].from_peg]
        best = min(meets, key=lambda p: abs(math.dist(p, third) - ties[2].length_m))
        assert best == pytest.approx(xy[corner], abs=1e-5)
        assert [t.length_m for t in ties] == sorted(t.length_m for t in ties)


def test_set_out__slope_along_every_line():
    """tape = horizontal / cos(slope), for readings, offsets and diagonals alike."""
    flat, steep = (set_out(walked(), slope_deg=s) for s in (0.0, 10.0))
    ratio = 1.0 / math.cos(math.radians(10.0))
    ends = flat.pegs.role == "lane end"
    assert steep.pegs.tape_m[ends] == pytest.approx(flat.pegs.tape_m[ends] * ratio)
    assert steep.pegs.offset_m[ends] == pytest.approx(flat.pegs.offset_m[ends] * ratio)
    assert [d.tape_m for d in steep.diagonals] == pytest.approx(
        [d.length_m * ratio for d in flat.diagonals]
    )
    assert any("10° along every line" in n for n in steep.notices)


def test_set_out__slope_down_the_lanes_leaves_readings_across_alone():
    flat = set_out(walked(30.0))
    steep = set_out(walked(30.0), slope_deg=15.0, fall_bearing_deg=30.0)
    first = flat.pegs.role == "lane end"
    first &= np.array([i.startswith("1-") for i in flat.pegs.lane_id])
    assert steep.pegs.tape_m[first] == pytest.approx(flat.pegs.tape_m[first])
    along = [b.tape_m / b.length_m for b in steep.baselines]
    assert along == pytest.approx([1, 1, *[1 / math.cos(math.radians(15.0))] * 2])


def test_set_out__lane_ends_come_in_order_along_each_baseline():
    pegs = set_out(walked(40.0, ragged=2.0)).pegs
    ends = pegs.take(pegs.role == "lane end")
    order = list(dict.fromkeys(ends.line))
    assert order == ["P001-P002", "P004-P003", "P001-P004", "P002-P003"]
    for line in order:
        assert (np.diff(ends.tape_m[ends.line == line]) >= 0.0).all()


def test_set_out__long_baselines_have_pegs_at_each_tape_length():
    pegs = set_out(walked(length=130.0), tape_m=50.0).pegs
    side = (pegs.line == "P001-P004") & (pegs.role == "baseline")
    assert pegs.tape_m[side].tolist() == [50.0, 100.0]


@pytest.mark.parametrize(
    ("length", "pegs_between"), [(100.0, 1), (100.003, 2), (100.4, 2), (100.6, 2)]
)
def test_set_out__no_peg_stands_beside_the_finish(length, pegs_between):
    lanes = Lanes.build(geometry=shapely.linestrings([[[1, 0], [1, length]]]), lane_id=["1-001"])
    pegs = set_out(lanes.with_columns(pass_no=np.array([1])), tape_m=50.0).pegs
    between = pegs.tape_m[pegs.role == "intermediate"]
    assert len(between) == pegs_between
    assert (length - between > 0.5).all()


def test_set_out__tape_lengths_are_ground_lengths():
    """In a CRS that shrinks the ground by 0.9960, 50 m of tape are 49.80 m of coordinates."""
    pegging = set_out(walked(length=130.0), tape_m=50.0, grid_scale=0.996)
    xy = dict(zip(pegging.pegs.peg_id, shapely.get_coordinates(pegging.pegs.geometry), strict=True))
    between = pegging.pegs.peg_id[
        (pegging.pegs.role == "intermediate") & (pegging.pegs.lane_id == "1-001")
    ]
    assert math.dist(xy["1-001s"], xy[between[0]]) == pytest.approx(49.8, abs=1e-6)
    assert math.dist(xy[between[0]], xy[between[1]]) == pytest.approx(49.8, abs=1e-6)
    # 2 m between lanes in the CRS are 2.008 m on the tape.
    index = by_id(pegging.pegs)
    step = np.diff(pegging.pegs.tape_m[[index["1-001s"], index["1-002f"]]])
    assert abs(step[0]) == pytest.approx(2.0 / 0.996, abs=1e-6)


def test_set_out__split_lane_is_read_from_the_nearer_baseline():
    lanes = Lanes.build(
        geometry=shapely.linestrings([[[1, 0], [1, 40]], [[1, 100], [1, 60]]]),
        lane_id=["1-001a", "1-001b"],
        pass_no=1,
    )
    pegs = set_out(lanes).pegs
    index = by_id(pegs)
    assert pegs.line[index["1-001af"]] == "P001-P002"
    assert pegs.offset_m[index["1-001af"]] == pytest.approx(40.0)
    assert pegs.line[index["1-001bf"]] == "P004-P003"
    assert pegs.offset_m[index["1-001bf"]] == pytest.approx(40.0)


def test_set_out__tells_pegs_outside_the_boundary():
    site = np.array([shapely.box(1000, 2000, 1012, 2069)], dtype=object)
    notices = set_out(walked(), site=site).notices
    assert any("5 lane ends lie outside the boundary" in n and "by 1.0 m" in n for n in notices)
    wide = np.array([shapely.box(900, 1900, 1100, 2200)], dtype=object)
    assert not any("outside" in n for n in set_out(walked(), site=wide).notices)


def test_set_out__says_when_nothing_ties_the_frame():
    assert any("nothing ties the frame" in n for n in set_out(walked()).notices)


def test_set_out__lanes_of_one_pass_only():
    lanes = walked()
    pegging = set_out(lanes.take(lanes.pass_no == 2))
    assert pegging.pegs.role.tolist().count("lane end") == 2 * int((lanes.pass_no == 2).sum())


def test_set_out__same_input_same_pegs():
    one, other = set_out(walked(33.0, ragged=2.0)), set_out(walked(33.0, ragged=2.0))
    assert one.pegs.peg_id.tolist() == other.pegs.peg_id.tolist()
    assert (
        shapely.to_wkb(one.pegs.geometry).tolist() == shapely.to_wkb(other.pegs.geometry).tolist()
    )


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"tape_m": 0.0}, "a tape of"),
        ({"tape_m": math.nan}, "a tape of"),
        ({"slope_deg": -1.0}, "a slope of"),
        ({"slope_deg": 60.0}, "a slope of"),
    ],
)
def test_set_out__refuses(options, words):
    with pytest.raises(InputError, match=words):
        set_out(walked(), **options)


def test_set_out__no_lanes():
    with pytest.raises(MissingError, match="no lanes"):
        set_out(Lanes.empty())
