import time

import fiona
import pytest
import shapely

from gridtools.errors import InputError
from gridtools.job import Job, create_job
from gridtools.job.store import Store
from gridtools.layers import (
    Candidates,
    Coverage,
    Exclusion,
    Hits,
    Lanes,
    Runs,
    SearchArea,
    Site,
)

SITE = Site.build(geometry=[shapely.box(0, 0, 100, 60)], name="yard")
AREA = SearchArea.build(
    geometry=[shapely.multipolygons([shapely.box(0, 0, 100, 60)])], confidence="full"
)
COVERAGE = Coverage.build(1, part="either")
RUNS = Runs.build(run_id=["S001-0001"], geometry=[shapely.LineString([(0, 0), (0, 9)])])


@pytest.fixture
def made(job_path, lanes_of):
    """A job with search area, lanes, runs and coverage, each made from the one before."""
    steps = [
        ([Site, Exclusion], AREA),
        ([SearchArea, "sweep_width_m"], lanes_of(["1-001", "1-002"])),
        ([Lanes], RUNS),
        ([SearchArea, Runs, "sweep_width_m"], COVERAGE),
    ]
    change_job(job_path, [SITE])
    for inputs, layer in steps:
        change_job(job_path, [layer], inputs)
    return job_path


def change_job(path, layers, inputs=(), **settings):
    with Job.open(path) as job, job.change("test", inputs=inputs) as change:
        for layer in layers:
            change.append(layer) if layer.user_owned else change.replace(layer)
        for key, value in settings.items():
            change.set(key, value)


def stale(path, *layers):
    with Job.open(path) as job:
        return job.stale(layers) if layers else job.stale()


def test_stale__nothing_just_after_all_was_made(made):
    assert stale(made) == {}


def test_stale__from_a_new_exclusion_down_to_the_coverage(made):
    change_job(made, [Exclusion.build(geometry=[shapely.box(0, 0, 1, 1)], reason="pond")])
    assert stale(made) == {
        "search_area": ("exclusion",),
        "lanes": ("search_area",),
        "runs": ("lanes",),
        "coverage": ("runs", "search_area"),
    }
    assert stale(made, Lanes) == {"lanes": ("search_area",)}


def test_stale__from_a_setting(made):
    change_job(made, [], sweep_width_m=2.0)
    assert stale(made) == {
        "lanes": ("sweep_width_m",),
        "runs": ("lanes",),
        "coverage": ("runs", "sweep_width_m"),
    }


def test_stale__not_when_the_same_is_made_again(made):
    time.sleep(0.005)
    change_job(made, [AREA], [Site, Exclusion])
    assert stale(made) == {}


def test_stale__no_more_once_remade(made, lanes_of):
    change_job(made, [], sweep_width_m=2.0)
    change_job(made, [lanes_of(["1-001", "1-002"])], [SearchArea, "sweep_width_m"])
    assert stale(made) == {"coverage": ("sweep_width_m",)}


def test_stale__by_an_edit_in_a_gis(made):
    with fiona.open(made, "a", layer="exclusion") as table:
        ring = [(0, 0), (2, 0), (2, 2), (0, 0)]
        table.write(
            {
                "geometry": {"type": "Polygon", "coordinates": [ring]},
                "properties": {"reason": "nest", "buffer_m": None},
            }
        )
    assert stale(made, SearchArea) == {"search_area": ("exclusion",)}


@pytest.mark.parametrize(
    ("statement", "reason"),
    [
        ("UPDATE lanes SET bearing_deg = 3 WHERE lane_id = '1-002'", True),
        ("DELETE FROM lanes WHERE lane_id = '1-002'", True),
        ("UPDATE lanes SET bearing_deg = NULL", False),
    ],
)
def test_stale__by_an_edit_of_a_program_that_knows_no_geopackage(made, statement, reason, in_sql):
    time.sleep(0.005)
    in_sql(made, statement)
    assert stale(made, Runs) == ({"runs": ("lanes",)} if reason else {})


def test_stale__not_by_opening_in_a_gis(made):
    for layer in ("site", "search_area", "lanes", "runs"):
        with fiona.open(made, "a", layer=layer) as table:
            assert len(table)
    assert stale(made) == {}


def test_stale__an_unchanged_layer_is_not_read_again(made, monkeypatch):
    digest = Store.digest

    def settings_only(store, source):
        assert isinstance(source, str)
        return digest(store, source)

    monkeypatch.setattr(Store, "digest", settings_only)
    with Job.open(made) as job:
        assert job.stale() == {}


def test_stale__not_by_a_note_that_somebody_wrote(job_path, candidates_of, in_sql):
    change_job(job_path, [candidates_of(["C001"])])
    change_job(job_path, [COVERAGE], [Candidates])
    in_sql(job_path, "UPDATE candidates SET note = 'gate', status = 'dug'")
    with Job.open(job_path) as job:
        assert job.digest(Candidates)
        assert job.stale() == {}


def test_stale__kept_values_written_by_a_command_do_not_make_the_layer(job_path, candidates_of):
    change_job(job_path, [candidates_of(["C001"])], [Hits])
    with Job.open(job_path) as job, job.change("outcomes", inputs=[Coverage]) as change:
        change.update(candidates_of(["C001"], status="dug"), ["status"])
    change_job(job_path, [Hits.build(hit_id=["H0001"], geometry=[shapely.Point(0, 0)])])
    assert stale(job_path) == {"candidates": ("hits",)}


def test_stale__layer_that_is_its_own_source(job_path, lanes_of):
    change_job(job_path, [lanes_of(["1-001"])], [Lanes, SearchArea])
    change_job(job_path, [lanes_of(["1-001", "1-002"])], [Lanes, SearchArea])
    assert stale(job_path) == {}


def test_stale__history_spoilt_by_hand(made, in_sql):
    in_sql(made, "UPDATE history SET inputs = 'x' WHERE entry = 3")
    with Job.open(made) as job, pytest.raises(InputError, match="layer history, fid 3"):
        job.stale()


def test_digest__tells_values_apart_and_knows_no_order_of_writing(job_path, lanes_of, tmp_path):
    digests = []
    for i, (first, second) in enumerate([("1-001", "1-002"), ("1-002", "1-001")]):
        path = tmp_path / f"{i}.gpkg"
        with Job.open(job_path) as job:
            create_job(path, job.crs)
        lanes = lanes_of(["1-001", "1-002"])
        change_job(path, [lanes.take(lanes.lane_id == first)])
        with Job.open(path) as job, job.change("test") as change:
            change.append(lanes.take(lanes.lane_id == second))
        with Job.open(path) as job:
            digests.append(job.digest(Lanes))
    assert digests[0] == digests[1]
    change_job(path, [lanes.with_columns(seq=[2, 1])])
    with Job.open(path) as job:
        assert job.digest(Lanes) != digests[0]
