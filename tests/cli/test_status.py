import json

import pytest

from gridtools.job import Job
from gridtools.layers import ALL_LAYERS, History

from ..commands import feature_collection, polygon
from ..walks import lanes_of, walk_gpx


def test_status__before_walking(gridtools, planned):
    """By hand: 30 lanes of 40 m and 20 of 60 m, 1.2 m/s and 10 s for each lane."""
    result = gridtools("status", planned, "--json").json
    first = result["lanes"]["pass 1"]
    assert (first["done"], first["left_m"]) == (0, pytest.approx(1200.0))
    assert first["left_s"] == pytest.approx(1200 / 1.2 + 30 * 10)
    assert result["stale"] == {}


def test_status__after_walking(gridtools, tmp_path, planned):
    lanes, crs = lanes_of(planned)
    log = tmp_path / "walk.gpx"
    log.write_text(walk_gpx(lanes, crs, skip=["1-003", "2-020"]))
    gridtools("record", planned, log)
    result = gridtools("status", planned, "--json").json
    assert result["lanes"]["pass 1"]["to_walk"] == ["1-003"]
    assert result["lanes"]["pass 2"]["done"] == 19
    said = gridtools("status", planned).out
    assert "To walk, pass 2: 2-020." in said
    assert "Checks: none made." in said


def test_status__tells_short_lanes_from_those_to_walk(gridtools, tmp_path, planned):
    """Lanes of pass 1 are 40 m long."""
    note = tmp_path / "walked.txt"
    note.write_text("2026-05-14\n1-001 to 1-005 in order\n1-006 from 20 m\n")
    gridtools("record", planned, note, "--tz", "UTC", "--check-start", "pass")
    first = gridtools("status", planned, "--json").json["lanes"]["pass 1"]
    assert (first["done"], first["short"]) == (5, ["1-006"])
    said = gridtools("status", planned).out
    assert "To walk, pass 1: 1-007 to 1-030." in said
    assert "Short, pass 1: 1-006." in said
    assert "To walk, pass 2" not in said
    assert "Checks: 1 check made, none failed." in said


def test_status__tells_stale_layers(gridtools, planned):
    import sqlite3

    with sqlite3.connect(planned) as gis:
        gis.execute("DELETE FROM site WHERE 0")
    gis.close()
    assert gridtools("status", planned, "--json").json["stale"] == {}
    gridtools("lanes", planned, "--spacing", "3m", "--bearing", "0")
    assert gridtools("status", planned, "--json").json["stale"] == {}
    gridtools("pegs", planned)
    gridtools("lanes", planned, "--spacing", "4m", "--bearing", "0")
    assert "pegs" in gridtools("status", planned, "--json").json["stale"]
    assert f"lanes changed since: run `gridtools pegs {planned}` again (pegs)" in (
        gridtools("status", planned).err
    )


def test_status__names_the_command_that_makes_each_stale_layer(gridtools, tmp_path, planned):
    lanes, crs = lanes_of(planned)
    log = tmp_path / "walk.gpx"
    log.write_text(walk_gpx(lanes, crs))
    gridtools("record", planned, log)
    gridtools("coverage", planned)
    pond = polygon([500010, 5800010], [500015, 5800010], [500015, 5800015])
    no_go = feature_collection(tmp_path / "pond.geojson", [(pond, {"reason": "pond"})])
    gridtools("area", planned, "--exclusion", no_go)
    told = [line for line in gridtools("status", planned).err.splitlines() if "since" in line]
    assert [line.split("`")[1] for line in told] == [
        f"gridtools lanes {planned} --replan",
        f"gridtools record {planned}",
        f"gridtools coverage {planned}",
    ]
    assert told[2].endswith("again (covered, gaps, infill, coverage)")


def test_status__layers_say_which_command_makes_them(gridtools, tmp_path, planned):
    """As the history has it; runs and search area are also written by commands that add to
    what they are made from."""
    lanes, crs = lanes_of(planned)
    log = tmp_path / "walk.gpx"
    log.write_text(walk_gpx(lanes, crs, hits=[("1-002", 7.0)]))
    gridtools("record", planned, log)
    for command in ("pegs", "coverage", "candidates"):
        gridtools(command, planned)
    with Job.open(planned) as job:
        history = job.read(History)
    maker = {layer.table: layer.made_by for layer in ALL_LAYERS if not layer.user_owned}
    wrote = {
        (table, command)
        for command, tables in zip(history.command, history.outputs, strict=True)
        for table in json.loads(tables)
        if table in maker and command not in ("new", "amend")
    }
    assert len(wrote) > 10
    assert wrote <= set(maker.items())


def test_status__leaves_out_checks_of_struck_sessions(gridtools, tmp_path, planned):
    lanes, crs = lanes_of(planned)
    log = tmp_path / "walk.gpx"
    log.write_text(walk_gpx(lanes, crs))
    gridtools("record", planned, log, "--check-start", "fail")
    assert len(gridtools("status", planned, "--json").json["failed_checks"]) == 1
    gridtools("amend", planned, "S001", "--strike", "--reason", "not ours")
    assert gridtools("status", planned, "--json").json["failed_checks"] == []


def test_status__coverage_is_stale_once_fix_accuracy_changes(gridtools, tmp_path, planned):
    lanes, crs = lanes_of(planned)
    log = tmp_path / "walk.gpx"
    log.write_text(walk_gpx(lanes, crs))
    gridtools("record", planned, log, "--fix-accuracy", "0.5m")
    gridtools("coverage", planned)
    assert "coverage" not in gridtools("status", planned, "--json").json["stale"]
    gridtools("amend", planned, "S001", "--fix-accuracy", "1.2m", "--reason", "misread")
    assert "coverage" in gridtools("status", planned, "--json").json["stale"]


@pytest.mark.parametrize("layer", ["fixes", "hits"])
def test_status__runs_are_stale_once_a_gis_has_deleted_rows(gridtools, tmp_path, planned, layer):
    """A desktop GIS deletes the row and says when the layer changed, as the standard asks."""
    import sqlite3

    lanes, crs = lanes_of(planned)
    log = tmp_path / "walk.gpx"
    log.write_text(walk_gpx(lanes, crs, hits=[("1-002", 7.0)]))
    gridtools("record", planned, log)
    gridtools("coverage", planned)
    gridtools("record", planned)
    assert gridtools("status", planned, "--json").json["stale"] == {}
    with sqlite3.connect(planned) as gis:
        gis.execute(f"DELETE FROM {layer} WHERE fid = 1")
        gis.execute(
            "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ', 'now') "
            "WHERE table_name = ?",
            (layer,),
        )
    gis.close()
    assert gridtools("status", planned, "--json").json["stale"]["runs"] == [layer]
    gridtools("record", planned)
    assert "runs" not in gridtools("status", planned, "--json").json["stale"]
