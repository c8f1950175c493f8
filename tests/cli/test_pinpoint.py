"""``gridtools pinpoint``: approaches in, centre and depth out, mistakes struck out."""

import hashlib

import numpy as np
import pytest
import shapely

from gridtools.demo import scenario
from gridtools.demo.approaches import approaches_csv
from gridtools.geodesy import WGS84, transform_xy
from gridtools.job import Job
from gridtools.layers import Approaches, Candidates, Pinpoints
from gridtools.units import unit_vector

from ..commands import feature_collection, polygon, run

CENTRE = np.array([500_010.0, 5_800_020.0])
FOUR = np.array([0.0, 90.0, 180.0, 270.0])
ONSET_M = 1.5
FOOT_M = 0.3048  # international foot


def put_candidates(path, xy):
    xy = np.atleast_2d(xy)
    ids = [f"C{i + 1:03d}" for i in range(len(xy))]
    with Job.open(path) as job, job.change("candidates") as change:
        change.replace(
            Candidates.build(
                len(xy), geometry=shapely.points(xy), candidate_id=ids, sigma_m=0.5,
                verdict="metal", p_metal=0.9,
            )
        )  # fmt: skip


def read(path, layer):
    with Job.open(path) as job:
        return job.read(layer)


def digest(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def marked(onset_m=ONSET_M, headings=FOUR):
    """Onsets (n, 2) on the way to the centre."""
    return CENTRE - np.multiply(onset_m, unit_vector(headings).T).T


def csv(path, xy, headings=FOUR, start="6"):
    rows = [
        f"C001,onset,{h:g},{x:.4f},{y:.4f},{start}" for h, (x, y) in zip(headings, xy, strict=True)
    ]
    path.write_text("\n".join(["candidate_id,kind,heading_deg,x,y,start_distance_m", *rows, ""]))
    return path


def gpx(path, names, xy):
    lonlat = transform_xy(xy, "EPSG:32633", WGS84)
    points = "".join(
        f'<wpt lat="{lat:.9f}" lon="{lon:.9f}"><name>{name}</name></wpt>'
        for name, (lon, lat) in zip(names, lonlat, strict=True)
    )
    path.write_text(
        f'<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">{points}</gpx>'
    )
    return path


def only(path):
    pinpoints = read(path, Pinpoints)
    assert len(pinpoints) == 1
    return pinpoints, shapely.get_coordinates(pinpoints.geometry)[0]


@pytest.fixture
def yard(job):
    """The rectangle with candidates 0.5 m from the centre and 40 m off."""
    put_candidates(job, CENTRE + np.array([[0.4, -0.3], [40.0, 0.0]]))
    return job


def test_pinpoint__csv_gives_centre_and_depth(gridtools, yard, tmp_path):
    done = gridtools("pinpoint", yard, csv(tmp_path / "a.csv", marked()), "--json")
    assert done.json["new"] == ["A001", "A002", "A003", "A004"]
    row, xy = only(yard)
    assert xy == pytest.approx(CENTRE, abs=1e-3)  # the file has tenths of a millimetre
    assert row.depth_m[0] == pytest.approx(ONSET_M, abs=1e-3)  # factor 1, no height taken off
    assert row.disagree[0] == row.missing[0] == ""


def test_pinpoint__gpx_waypoints_by_their_names(gridtools, yard, tmp_path):
    names = [f"C001 onset {h:g} from 6m front" for h in FOUR]
    file = gpx(tmp_path / "a.gpx", [*names, "gate"], np.vstack([marked(), CENTRE + 20.0]))
    done = gridtools("pinpoint", yard, file)
    assert "1 waypoint not taken" in done.err
    assert "gate" in done.err
    _, xy = only(yard)
    assert xy == pytest.approx(CENTRE, abs=2e-3)
    rows = read(yard, Approaches)
    assert set(rows.placed) == {"gps"}
    assert set(rows.leading_coil) == {"front"}
    assert rows.start_distance_m.tolist() == [6.0] * 4


def test_pinpoint__repeats_count_once(gridtools, yard, tmp_path):
    file = csv(tmp_path / "a.csv", marked())
    gridtools("pinpoint", yard, file)
    before = only(yard)[0]
    done = gridtools("pinpoint", yard, file, "--json")
    assert (done.json["new"], done.json["repeated"]) == ([], 4)
    assert len(read(yard, Approaches)) == 4
    assert only(yard)[0].semi_major_m[0] == before.semi_major_m[0]


def test_pinpoint__nearest_candidate_is_taken_and_said(gridtools, yard, tmp_path):
    file = csv(tmp_path / "a.csv", marked())
    file.write_text(file.read_text().replace("C001", ""))
    assert "4 to C001" in gridtools("pinpoint", yard, file).err
    assert set(read(yard, Approaches).candidate_id) == {"C001"}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("kind,heading_deg,x,y\nonset,0,500025,5800020\n", "no candidate within 6 m"),
        ("candidate_id,kind,x,y\nC009,onset,500010,5800018\n", "the job has no candidate C009"),
        ("candidate_id,kind,x,y\nC001,peak,500010,5800018\n", "row 2"),
        ("candidate_id,kind,heading_deg,x,y\nC001,onset,400,500010,5800018\n", "0 to 360"),
        ("candidate_id,kind,distance_m\nC001,onset,1.5\n", "needs the heading walked"),
        ("name,colour\na,red\n", "no list of approaches"),
    ],
)
def test_pinpoint__bad_input_is_told_and_the_job_left_alone(gridtools, yard, tmp_path, text, said):
    file = tmp_path / "a.csv"
    file.write_text(text)
    before = digest(yard)
    done = gridtools("pinpoint", yard, file, code=1)
    assert said in done.err
    assert len(done.err.strip().splitlines()) == 1
    assert digest(yard) == before


def test_pinpoint__wrong_usage_and_unknown_names(gridtools, yard, tmp_path):
    before = digest(yard)
    gridtools("pinpoint", yard, "--carry-height", "tall", code=2)
    file = csv(tmp_path / "a.csv", marked())
    assert "S009" in gridtools("pinpoint", yard, file, "--session", "S009", code=1).err
    gridtools("pinpoint", yard, tmp_path / "none.csv", code=1)
    assert digest(yard) == before


def test_pinpoint__needs_candidates(gridtools, job, tmp_path):
    done = gridtools("pinpoint", job, csv(tmp_path / "a.csv", marked()), code=1)
    assert "no candidates" in done.err


def test_pinpoint__carry_height_is_taken_off_and_kept(gridtools, yard, tmp_path):
    file = csv(tmp_path / "a.csv", marked())
    assert "carry height not given" in gridtools("pinpoint", yard, file).err
    gridtools("pinpoint", yard, "--carry-height", "0.3m")
    assert only(yard)[0].depth_m[0] == pytest.approx(ONSET_M - 0.3, abs=1e-3)
    again = gridtools("pinpoint", yard)
    assert "carry height" not in again.err
    assert only(yard)[0].depth_m[0] == pytest.approx(ONSET_M - 0.3, abs=1e-3)


def test_pinpoint__began_too_near_gives_at_least(gridtools, yard, tmp_path):
    """Begun 2 m out, less than twice the onset distance of 1.5 m."""
    done = gridtools("pinpoint", yard, csv(tmp_path / "a.csv", marked(), start="2"))
    assert "at least 1.5" in done.out
    assert "reads shallow" in done.err


def test_pinpoint__taped_from_the_flag(gridtools, yard, tmp_path):
    """The flag stands 0.4 m east of the object: tapes are 1.5 m to its sides, and 1.9 and 1.1 m."""
    east = {0.0: 1.5, 90.0: 1.9, 180.0: 1.5, 270.0: 1.1}
    lines = ["candidate_id,kind,heading_deg,x,y,distance_m,start_distance_m"]
    lines += [f"C001,onset,{h:g},,,{d},6" for h, d in east.items()]
    lines.append(f"C001,centre,,{CENTRE[0] + 0.4},{CENTRE[1]},,")
    file = tmp_path / "a.csv"
    file.write_text("\n".join([*lines, ""]))
    gridtools("pinpoint", yard, file)
    rows = read(yard, Approaches)
    assert (rows.placed == "tape").sum() == 4
    # West of the flag by (1.9 - 1.1) / 2; the flag itself pulls it back a little.
    offset = only(yard)[1] - CENTRE
    assert -0.05 < offset[0] < 0.2
    # North and south were taped on lines through the flag, which the circle says passed by.
    assert abs(offset[1]) < 1e-6
    assert only(yard)[0].onset_m[0] == pytest.approx(1.5, abs=0.05)


def test_pinpoint__feet_job(gridtools, tmp_path):
    """A job in US survey feet, EPSG:2264: places in its feet, distances and height in feet."""
    foot = 1200 / 3937
    sw = np.array([1_500_000.0, 600_000.0])
    site = polygon(*(sw + np.array([[0, 0], [200, 0], [200, 150], [0, 150]])).tolist())
    job = tmp_path / "ft.gpkg"
    boundary = feature_collection(tmp_path / "b.geojson", [(site, {"name": "Field"})], epsg=2264)
    gridtools("new", job, "--site", boundary)
    centre_ft = sw + 60.0
    put_candidates(job, (centre_ft + 1.0) * foot)
    xy = centre_ft - 5.0 * unit_vector(FOUR)
    rows = [f"C001,{h:g},{x:.3f},{y:.3f},20" for h, (x, y) in zip(FOUR, xy, strict=True)]
    file = tmp_path / "a.csv"
    file.write_text("\n".join(["candidate_id,heading_deg,x,y,start_distance_ft", *rows, ""]))
    gridtools("pinpoint", job, file, "--carry-height", "1ft")
    row, found = only(job)
    assert found == pytest.approx(centre_ft * foot, abs=1e-3)
    assert row.depth_m[0] == pytest.approx(5.0 * foot - 1.0 * FOOT_M, abs=1e-3)
    assert read(job, Approaches).start_distance_m[0] == pytest.approx(20 * FOOT_M, abs=1e-9)


def test_amend__an_approach_struck_out_counts_no_more(gridtools, yard, tmp_path):
    """An onset marked 0.8 m too far out no longer pulls at the centre."""
    headings = np.arange(0.0, 360.0, 72.0)
    onsets = np.array([ONSET_M, ONSET_M, ONSET_M + 0.8, ONSET_M, ONSET_M])
    file = csv(tmp_path / "a.csv", marked(onsets, headings), headings)
    gridtools("pinpoint", yard, file)
    crooked = np.hypot(*(only(yard)[1] - CENTRE))
    gridtools("amend", yard, "A003", "--strike", "--reason", "trod on the cable")
    rows = read(yard, Approaches)
    assert rows.struck.tolist() == [False, False, True, False, False]
    assert rows.note[2] == "struck: trod on the cable"
    done = gridtools("status", yard)
    assert "pinpoint" in done.out + done.err  # pinpoints are older than what they are made from
    gridtools("pinpoint", yard)
    row, xy = only(yard)
    assert crooked > 0.1
    assert xy == pytest.approx(CENTRE, abs=1e-3)
    assert row.approaches[0] == 4
    again = gridtools("pinpoint", yard, file)
    assert "A003 stays struck out" in again.err
    assert read(yard, Approaches).struck.sum() == 1
    assert len(read(yard, Approaches)) == 5
    strike = ("--strike", "--reason", "x")
    assert "struck out already" in gridtools("amend", yard, "A003", *strike, code=1).err
    assert "no A009" in gridtools("amend", yard, "A009", *strike, code=1).err
    gridtools("amend", yard, "A001", "--strength", "3", "--reason", "x", code=2)


def test_amend__all_approaches_struck_out_leave_no_pinpoint(gridtools, yard, tmp_path):
    gridtools("pinpoint", yard, csv(tmp_path / "a.csv", marked()[:2], FOUR[:2]))
    for name in ("A001", "A002"):
        gridtools("amend", yard, name, "--strike", "--reason", "wrong candidate")
    gridtools("pinpoint", yard)
    assert len(read(yard, Pinpoints)) == 0


@pytest.fixture(scope="module")
def demo_pinpoints(tmp_path_factory):
    """Pinpoints of the demo's approaches, candidates lying 0.5 m off what is in the ground."""
    folder = tmp_path_factory.mktemp("demo")
    site = polygon(*scenario.to_map(scenario.BOUNDARY).tolist())
    job = folder / "yard.gpkg"
    boundary = feature_collection(folder / "b.geojson", [(site, {"name": "Yard"})], epsg=32631)
    run("new", job, "--site", boundary)
    truth = np.array([p.centroid.coords[0] for p in scenario.metal_geometry()])
    put_candidates(job, truth + np.array([0.4, -0.3]))
    file = folder / "approaches.csv"
    file.write_bytes(approaches_csv())
    run("pinpoint", job, file, "--carry-height", "0m")
    return truth, read(job, Pinpoints)


@pytest.mark.parametrize(
    "name",
    [
        m.name
        for m, piece in zip(scenario.METAL, scenario.metal_geometry(), strict=True)
        if piece.length < 2 * m.depth_m / scenario.DEPTH_PER_ONSET
    ],
)
def test_pinpoint__demo_holds_the_truth_of_compact_pieces(demo_pinpoints, name):
    """Within the 90 % ellipse, and the depth within two of its standard errors.

    Compact: no longer than the onset distances on both sides of it; frame and pipe are longer.
    """
    truth, pinpoints = demo_pinpoints
    i = [m.name for m in scenario.METAL].index(name)
    off = truth[i] - shapely.get_coordinates(pinpoints.geometry[i])[0]
    along = unit_vector(pinpoints.axis_deg[i])
    a, b = off @ along, off @ [along[1], -along[0]]
    assert (a / pinpoints.semi_major_m[i]) ** 2 + (b / pinpoints.semi_minor_m[i]) ** 2 <= 1.0
    away = abs(pinpoints.depth_m[i] - scenario.METAL[i].depth_m)
    assert away <= 2 * pinpoints.depth_sd_m[i]
    assert pinpoints.semi_major_m[i] < 1.0  # not held by saying nothing
