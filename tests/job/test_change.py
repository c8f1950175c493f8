import json
import sqlite3
import time

import fiona
import numpy as np
import pytest
import shapely

import gridtools
from gridtools.errors import InputError, JobBusyError, RefusedError
from gridtools.job import Job, connection
from gridtools.layers import (
    ALL_LAYERS,
    Candidates,
    Exclusion,
    Fixes,
    History,
    Hits,
    Lanes,
    SearchArea,
    Settings,
    Site,
)


def hits_of(ids, **columns):
    return Hits.build(hit_id=ids, geometry=list(shapely.points(np.arange(len(ids)), 0)), **columns)


def made(path, *layers, command="test"):
    """One change that replaces derived layers and adds to the user's."""
    with Job.open(path) as job, job.change(command) as change:
        for layer in layers:
            change.append(layer) if layer.user_owned else change.replace(layer)


def read(path, layer):
    with Job.open(path) as job:
        return job.read(layer)


def query(path, sql):
    db = sqlite3.connect(path)
    rows = db.execute(sql).fetchall()
    db.close()
    return rows


def fids(path, layer):
    name = layer.id_column
    return dict(query(path, f"SELECT {name}, fid FROM {layer.table}"))


def in_gis(path, layer, **columns):
    """A row that somebody adds with a desktop GIS."""
    with fiona.open(path, "a", layer=layer.table) as table:
        empty = dict.fromkeys(table.schema["properties"])
        for column in layer.columns():
            if column.kind.value in ("whole number", "yes/no"):
                empty[column.name] = 0
        point = {"type": "Point", "coordinates": (50.0, 60.0)}
        table.write({"geometry": point, "properties": {**empty, **columns}})


@pytest.fixture
def impatient(monkeypatch):
    monkeypatch.setattr(connection, "BUSY_SECONDS", 0.2)


# --- what a change does ---------------------------------------------------------------------


def test_change__enters_the_history(job_path, lanes_of):
    before = np.datetime64(time.time_ns() // 10**6, "ms")
    options = {"spacing_m": np.float64(2.0), "é": None, "file": job_path}
    with Job.open(job_path) as job, job.change("lanes", options) as change:
        change.replace(lanes_of(["1-001"]))
    made(job_path, hits_of(["H0001"]), command="record")
    history = read(job_path, History)
    assert history.entry.tolist() == [1, 2, 3]
    assert history.command.tolist() == ["new", "lanes", "record"]
    assert json.loads(history.options[1]) == {**options, "file": str(job_path)}
    assert history.version.tolist() == [gridtools.__version__] * 3
    assert before - np.timedelta64(1, "ms") <= history.start_utc[1] <= history.start_utc[2]
    assert 0 <= history.seconds[1] < 60
    assert json.loads(history.outputs[2]) == ["hits"]


def test_change__keeps_the_geopackages_own_records(job_path, lanes_of):
    made(job_path, lanes_of(["1-001", "1-002", "1-003"]), hits_of(["H0001", "H0002"]))
    made(job_path, lanes_of(["1-002"], shift=30.0), hits_of(["H0003"]))
    contents = {
        table: rest
        for table, *rest in query(
            job_path,
            "SELECT table_name, min_x, min_y, max_x, max_y, last_change FROM gpkg_contents",
        )
    }
    assert contents["lanes"][:4] == [30.0, 0.0, 30.0, 100.0]
    assert contents["hits"][:4] == [0.0, 0.0, 1.0, 0.0]
    assert contents["site"][:4] == [None] * 4
    stamp = np.datetime64(contents["lanes"][4].removesuffix("Z"), "ms")
    assert abs(stamp - np.datetime64(time.time_ns() // 10**6, "ms")) < np.timedelta64(60, "s")
    counts = dict(query(job_path, "SELECT table_name, feature_count FROM gpkg_ogr_contents"))
    assert (counts["lanes"], counts["hits"], counts["history"]) == (1, 3, 3)
    assert query(job_path, "SELECT count(*) FROM rtree_lanes_geom") == [(1,)]
    made(job_path, Lanes.empty())
    assert query(job_path, "SELECT min_x FROM gpkg_contents WHERE table_name = 'lanes'") == [
        (None,)
    ]


def test_change__puts_every_trigger_back(job_path, lanes_of):
    triggers = "SELECT name, tbl_name, sql FROM sqlite_master WHERE type = 'trigger' ORDER BY name"
    before = query(job_path, triggers)
    made(job_path, lanes_of(["1-001"]), hits_of(["H0001"]))
    assert query(job_path, triggers) == before
    assert len(before) > 100


def test_replace__feature_ids_are_stable_and_never_reused(job_path, lanes_of):
    made(job_path, lanes_of(["1-001", "1-002", "1-002a", "2-001"]))
    first = fids(job_path, Lanes)
    made(job_path, lanes_of(["2-001", "1-002a", "1-003", "1-001"]))
    second = fids(job_path, Lanes)
    assert all(first[i] == second[i] for i in ("1-001", "1-002a", "2-001"))
    assert second["1-003"] not in first.values()
    assert first["1-002"] not in second.values()


def test_replace__refuses_what_belongs_to_the_user(job_path):
    with (
        pytest.raises(RefusedError, match="layer hits is the user's own"),
        Job.open(job_path) as job,
        job.change("test") as change,
    ):
        change.replace(hits_of(["H0001"]))


def test_replace__refuses_an_id_twice(job_path, lanes_of):
    with pytest.raises(InputError, match="layer lanes: an id appears twice"):
        made(job_path, lanes_of(["1-001", "1-001"]))


def test_replace__carries_kept_values_and_marks_what_is_gone(job_path, candidates_of, in_sql):
    made(job_path, candidates_of(["C001", "C002", "C003", "C004"]))
    assert read(job_path, Candidates).status.tolist() == ["open"] * 4
    in_sql(job_path, "UPDATE candidates SET note = 'gate' WHERE fid = 1")
    in_sql(job_path, "UPDATE candidates SET status = 'dropped' WHERE fid = 2")
    in_sql(job_path, "UPDATE candidates SET note = 'x' WHERE fid = 3")
    made(job_path, candidates_of(["C005", "C003"]))
    found = read(job_path, Candidates)
    assert list(zip(found.candidate_id, found.status, found.note, strict=True)) == [
        ("C001", "gone", "gate"), ("C002", "gone", ""), ("C003", "open", "x"), ("C005", "open", ""),
    ]  # fmt: skip
    assert fids(job_path, Candidates) == {"C001": 1, "C002": 2, "C003": 3, "C005": 5}
    with fiona.open(job_path, layer="candidates") as table:  # the index holds the gone rows too
        assert len(list(table.filter(bbox=(-1, 4, 3, 6)))) == len(table) == 4


def test_replace__row_added_in_a_gis_never_costs_a_candidate_its_number(job_path, candidates_of):
    made(job_path, candidates_of(["C001", "C002"]))
    in_gis(job_path, Candidates, candidate_id="mine", note="dig here")
    assert fids(job_path, Candidates)["mine"] == 3
    made(job_path, candidates_of(["C001", "C002", "C003"]))
    found = fids(job_path, Candidates)
    assert (found["C001"], found["C002"], found["C003"]) == (1, 2, 3)
    assert found["mine"] > 3
    rows = read(job_path, Candidates)
    assert rows.note[rows.candidate_id == "mine"].tolist() == ["dig here"]
    assert rows.status[rows.candidate_id == "mine"].tolist() == ["gone"]


def test_replace__columns_that_a_user_added_stay_with_their_row(job_path, lanes_of, in_sql):
    made(job_path, lanes_of(["1-001", "1-002"]))
    in_sql(job_path, "ALTER TABLE lanes ADD COLUMN mine TEXT")
    in_sql(job_path, "UPDATE lanes SET mine = 'wet' WHERE lane_id = '1-002'")
    made(job_path, lanes_of(["1-002", "1-003"]))
    assert query(job_path, "SELECT lane_id, mine FROM lanes ORDER BY fid") == [
        ("1-002", "wet"),
        ("1-003", None),
    ]


def test_append__adds_and_refuses_an_id_that_is_there(job_path):
    made(job_path, hits_of(["H0001", "H0002"]))
    made(job_path, hits_of(["H0003"]))
    with pytest.raises(InputError, match="layer hits: H0002 is there already"):
        made(job_path, hits_of(["H0004", "H0002"]))
    assert read(job_path, Hits).hit_id.tolist() == ["H0001", "H0002", "H0003"]


def test_append__makes_way_for_a_row_added_in_a_gis(job_path):
    made(job_path, hits_of(["H0001"]))
    in_gis(job_path, Hits, hit_id="by hand")
    made(job_path, hits_of(["H0002", "H0003"]))
    found = fids(job_path, Hits)
    assert (found["by hand"], found["H0003"]) == (2, 3)
    assert found["H0002"] > 3


def test_append__never_reuses_the_number_of_a_row_without_id(job_path, in_sql):
    zone = Exclusion.build(reason=["pond"], geometry=[shapely.box(0, 0, 1, 1)])
    made(job_path, zone, zone)
    in_sql(job_path, "DELETE FROM exclusion WHERE fid = 2")
    made(job_path, zone)
    assert query(job_path, "SELECT fid FROM exclusion ORDER BY fid") == [(1,), (3,)]


def test_append__of_nothing_writes_nothing(job_path):
    made(job_path, Hits.empty())
    assert json.loads(read(job_path, History).outputs[-1]) == []


def test_update__rewrites_derived_columns_only(job_path):
    made(job_path, hits_of(["H0001", "H0002", "H0003"], note="as logged"))
    with Job.open(job_path) as job, job.change("record") as change:
        some = job.read(Hits).take([2, 0])
        change.update(
            some.with_columns(note="never", run_id=["S001-0009", "S001-0001"], heading_deg=90.0)
        )
    hits = read(job_path, Hits)
    assert hits.run_id.tolist() == ["S001-0001", "", "S001-0009"]
    assert hits.note.tolist() == ["as logged"] * 3
    np.testing.assert_array_equal(hits.heading_deg, [90.0, np.nan, 90.0])


def test_update__named_columns_as_amend_needs(job_path):
    made(job_path, hits_of(["H0001", "H0002"]))
    with Job.open(job_path) as job, job.change("amend") as change:
        hits = job.read(Hits).take([1])
        change.update(hits.with_columns(struck=True, note="belt buckle"), ["struck", "note"])
    hits = read(job_path, Hits)
    assert hits.struck.tolist() == [False, True]
    assert hits.note.tolist() == ["", "belt buckle"]


def test_update__without_a_difference_leaves_the_layer_alone(job_path):
    made(job_path, hits_of(["H0001"]))
    before = query(job_path, "SELECT last_change FROM gpkg_contents WHERE table_name = 'hits'")
    time.sleep(0.005)
    with Job.open(job_path) as job, job.change("record") as change:
        change.update(job.read(Hits))
    after = query(job_path, "SELECT last_change FROM gpkg_contents WHERE table_name = 'hits'")
    assert before == after
    assert json.loads(read(job_path, History).outputs[-1]) == []


def test_update__refuses_a_row_that_is_not_there(job_path):
    with (
        pytest.raises(InputError, match="layer hits: there is no H0001 to change"),
        Job.open(job_path) as job,
        job.change("record") as change,
    ):
        change.update(hits_of(["H0001"]))


def test_set__stores_once_and_says_who_chose_it(job_path):
    with Job.open(job_path) as job, job.change("lanes") as change:
        change.set("sweep_width_m", 2.5, "m", "assumed")
        change.set("name", "Sallow Yard")
    with Job.open(job_path) as job, job.change("spacing") as change:
        change.set("sweep_width_m", np.float64(1.9), "m", "measured")
        change.set("name", "Sallow Yard")
    settings = read(job_path, Settings)
    assert settings.key.tolist() == ["sweep_width_m", "name"]
    assert settings.value.tolist() == ["1.9", "Sallow Yard"]
    assert settings.basis.tolist() == ["measured", "given"]
    assert settings.set_by.tolist() == ["spacing", "lanes"]
    with Job.open(job_path) as job:
        assert job.setting("sweep_width_m").number == 1.9
        assert job.setting("passes") is None
        with pytest.raises(InputError, match="not a number"):
            _ = job.setting("name").number


# --- all or nothing -------------------------------------------------------------------------


class Interrupted(KeyboardInterrupt):
    pass


@pytest.mark.parametrize("error", [ValueError, Interrupted, InputError])
def test_change__any_exception_leaves_the_file_as_it_was(job_path, lanes_of, error):
    made(job_path, lanes_of(["1-001"]), hits_of(["H0001"]))
    dump = "\n".join(sqlite3.connect(job_path).iterdump())

    def fail(change):
        change.replace(lanes_of(["1-007", "1-008"]))
        change.append(hits_of(["H0002"]))
        change.set("name", "other")
        raise error

    with pytest.raises(error), Job.open(job_path) as job, job.change("test") as change:
        fail(change)
    assert "\n".join(sqlite3.connect(job_path).iterdump()) == dump


def test_change__failure_in_a_later_layer_undoes_the_earlier_one(job_path, lanes_of):
    made(job_path, lanes_of(["1-001"]))
    with pytest.raises(InputError, match="layer hits, row 1: strength is infinite"):
        made(job_path, lanes_of(["1-002"]), hits_of(["H0001"], strength=[np.inf]))
    assert read(job_path, Lanes).lane_id.tolist() == ["1-001"]
    made(job_path, lanes_of(["1-003"]))  # no lock is left


def test_change__two_in_one_opening(job_path, lanes_of):
    with Job.open(job_path) as job:
        for ids in (["1-001"], ["1-001", "1-002"]):
            with job.change("lanes") as change:
                change.replace(lanes_of(ids))
            assert job.read(Lanes).lane_id.tolist() == ids


def test_change__of_every_layer_at_once(job_path, rows_of, same_rows):
    layers = [layer for layer in ALL_LAYERS if layer not in (History, Settings)]
    made(job_path, *(rows_of(layer) for layer in layers))
    for layer in layers:
        if layer is not Candidates:  # an unknown status becomes open
            assert same_rows(read(job_path, layer), rows_of(layer))


# --- several programs -----------------------------------------------------------------------


@pytest.mark.parametrize("mode", ["DELETE", "WAL"])
def test_change__refused_if_the_job_changed_meanwhile_and_nothing_is_lost(job_path, mode):
    query(job_path, f"PRAGMA journal_mode = {mode}")
    with Job.open(job_path) as slow:
        slow.read(Lanes)
        made(job_path, hits_of(["H0001"]), command="record")
        with pytest.raises(JobBusyError, match="changed meanwhile: nothing was written, try"):
            slow.change("lanes").__enter__()
    assert read(job_path, Hits).hit_id.tolist() == ["H0001"]
    assert len(read(job_path, Lanes)) == 0
    assert read(job_path, History).command.tolist() == ["new", "record"]


@pytest.mark.usefixtures("impatient")
@pytest.mark.parametrize("mode", ["DELETE", "WAL"])
def test_change__second_writer_waits_then_gives_up(job_path, lanes_of, mode):
    query(job_path, f"PRAGMA journal_mode = {mode}")
    with (
        Job.open(job_path) as first,
        Job.open(job_path) as second,
        first.change("lanes") as change,
    ):
        change.replace(lanes_of(["1-001"]))
        start = time.monotonic()
        with pytest.raises(JobBusyError, match="is in use"):
            second.change("lanes").__enter__()
        assert time.monotonic() - start >= 0.15
    assert read(job_path, Lanes).lane_id.tolist() == ["1-001"]


@pytest.mark.usefixtures("impatient")
def test_change__reader_in_a_transaction_stops_the_commit_but_loses_nothing(job_path, lanes_of):
    made(job_path, lanes_of(["1-001"]))
    reader = sqlite3.connect(job_path, isolation_level=None)
    reader.execute("BEGIN")
    assert reader.execute("SELECT count(*) FROM lanes").fetchone() == (1,)
    with pytest.raises(JobBusyError, match="is in use"):
        made(job_path, lanes_of(["1-001", "1-002"]))
    assert reader.execute("SELECT count(*) FROM lanes").fetchone() == (1,)
    reader.execute("COMMIT")
    made(job_path, lanes_of(["1-001", "1-002"]))
    assert reader.execute("SELECT count(*) FROM lanes").fetchone() == (2,)
    reader.close()


def test_change__reader_in_a_transaction_sees_its_own_state_in_wal(job_path, lanes_of):
    made(job_path, lanes_of(["1-001"]))
    reader = sqlite3.connect(job_path, isolation_level=None)
    assert reader.execute("PRAGMA journal_mode = WAL").fetchone() == ("wal",)
    reader.execute("BEGIN")
    assert reader.execute("SELECT count(*) FROM lanes").fetchone() == (1,)
    made(job_path, lanes_of(["1-001", "1-002"]))
    assert reader.execute("SELECT count(*) FROM lanes").fetchone() == (1,)
    reader.execute("COMMIT")
    assert reader.execute("SELECT count(*) FROM lanes").fetchone() == (2,)
    reader.close()


def test_change__between_edits_in_a_gis(job_path, lanes_of, candidates_of, in_sql):
    """A GIS and our commands take turns; counts, index and values stay right for both."""
    made(job_path, hits_of(["H0001"]), candidates_of(["C001"]))
    in_gis(job_path, Hits, hit_id="H0002")
    made(job_path, hits_of(["H0003"]), candidates_of(["C001", "C002"]))
    in_gis(job_path, Hits, hit_id="H0004")
    in_sql(job_path, "DELETE FROM hits WHERE fid = 1")
    made(job_path, hits_of(["H0005"]), lanes_of(["1-001"]))
    assert read(job_path, Hits).hit_id.tolist() == ["H0002", "H0003", "H0004", "H0005"]
    with fiona.open(job_path, layer="hits") as table:
        assert len(table) == 4
        assert len(list(table.filter(bbox=(49, 59, 51, 61)))) == 2
        assert len(list(table.filter(bbox=(-1, -1, 2, 1)))) == 2
    assert query(job_path, "PRAGMA integrity_check") == [("ok",)]
    assert query(job_path, "SELECT rtreecheck('rtree_hits_geom')") == [("ok",)]


def test_change__user_dropped_the_spatial_index(job_path, lanes_of, in_sql):
    in_sql(job_path, "DROP TABLE rtree_lanes_geom")
    in_sql(job_path, "DELETE FROM gpkg_extensions WHERE table_name = 'lanes'")
    for event in ("insert", "update1", "update2", "update3", "update4", "delete"):
        in_sql(job_path, f"DROP TRIGGER IF EXISTS rtree_lanes_geom_{event}")
    made(job_path, lanes_of(["1-001"]))
    assert read(job_path, Lanes).lane_id.tolist() == ["1-001"]


def test_change__site_and_search_area_without_ids(job_path):
    box = shapely.box(0, 0, 10, 10)
    area = SearchArea.build(
        geometry=[shapely.multipolygons([box])] * 2, confidence=["full", "reduced"]
    )
    made(job_path, Site.build(geometry=[box]), area)
    made(job_path, area.take([0]))
    assert read(job_path, SearchArea).confidence.tolist() == ["full"]
    assert len(read(job_path, Site)) == 1
    assert len(read(job_path, Fixes)) == 0
