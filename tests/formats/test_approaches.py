import pytest
from pyproj import CRS

from gridtools.errors import InputError
from gridtools.formats.approaches import read_approaches

UTM = CRS("EPSG:32631")


def gpx(*names):
    points = "".join(f'<wpt lat="54.1" lon="2.7"><name>{n}</name></wpt>' for n in names)
    return f'<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">{points}</gpx>'.encode()


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("C001 onset 270", ("C001", "onset", 270.0, "")),
        ("c12 onset 5 from 20ft rear", ("C12", "onset", 5.0, "rear")),
        ("C001 centre", ("C001", "centre", None, "")),
        ("onset 90", ("", "onset", 90.0, "")),
    ],
)
def test_gpx__names_say_what_a_waypoint_is(name, expected):
    raw = read_approaches(gpx(name, "gate"), "a.gpx", UTM)
    heading = None if raw.heading_deg[0] != raw.heading_deg[0] else raw.heading_deg[0]
    assert (raw.candidate_id[0], raw.kind[0], heading, raw.leading_coil[0]) == expected
    assert "gate" in raw.notices[0]
    if "20ft" in name:
        assert raw.start_distance_m[0] == pytest.approx(6.096)  # international foot, 0.3048 m


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("candidate_id,heading_deg,distance_m\nC001,,1.2", "row 2: a taped distance needs the h"),
        ("candidate_id,heading_deg,distance_m\nC001,90,-1", "not above 0 at row 2"),
        ("candidate_id,kind,x,y\nC001,middle,1,2", "none of onset, centre at row 2"),
        ("candidate_id,heading_deg,distance_m\nC001,400,1", "360 degrees at row 2"),
        ("lon,lat\n2,54", "no list of approaches"),
    ],
)
def test_csv__errors_name_file_and_row(rows, said):
    with pytest.raises(InputError, match=said) as caught:
        read_approaches(rows.encode(), "a.csv", UTM)
    assert str(caught.value).startswith("a.csv")


def test_csv__feet_and_metres_are_one():
    feet = b"candidate_id,heading_deg,distance_ft\nC001,90,10\n"
    metres = b"candidate_id,heading_deg,distance_m\nC001,90,3.048\n"
    read = [read_approaches(d, "a.csv", UTM).distance_m[0] for d in (feet, metres)]
    assert read[0] == pytest.approx(read[1])
