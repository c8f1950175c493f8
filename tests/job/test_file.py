import shutil

import fiona
import geopandas
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from gridtools.errors import FileError, InputError, JobBusyError, MissingError
from gridtools.job import Job, create_job
from gridtools.layers import ALL_LAYERS, Fixes, History, Hits, Lanes, Runs, Settings

ROWS = [layer for layer in ALL_LAYERS if layer not in (History, Settings)]


def stored(path, layer, rows):
    with Job.open(path) as job, job.change("test") as change:
        change.append(rows)
    with Job.open(path) as job:
        return job.read(layer)


# --- round trip -----------------------------------------------------------------------------


@pytest.mark.parametrize("layer", ROWS, ids=lambda layer: layer.table)
def test_read__gives_back_what_was_written(job_path, rows_of, same_rows, layer):
    rows = rows_of(layer)
    assert same_rows(stored(job_path, layer, rows), rows)


@pytest.mark.parametrize("code", [2222, 2225])
def test_read__gives_back_metres_in_a_job_in_feet(tmp_path, rows_of, same_rows, code):
    path = tmp_path / "feet.gpkg"
    create_job(path, CRS.from_epsg(code))
    with Job.open(path) as job, job.change("test") as change:
        for layer in ROWS:
            change.append(rows_of(layer))
    with Job.open(path) as job:
        for layer in ROWS:
            assert same_rows(job.read(layer), rows_of(layer))


@pytest.mark.parametrize("layer", ROWS, ids=lambda layer: layer.table)
def test_read__empty_layer(empty_job, layer):
    with Job.open(empty_job) as job:
        assert len(job.read(layer)) == 0


@pytest.fixture(scope="module")
def scrap_job(empty_job, tmp_path_factory):
    """A job for one property test, which replaces all rows for each example."""
    return shutil.copy(empty_job, tmp_path_factory.mktemp("scrap") / "scrap.gpkg")


text = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=9)
real = st.floats(allow_infinity=False)
# Milliseconds of the years 1 to 9999, which is what the format of a DATETIME can hold.
time = st.integers(-62_135_596_800_000, 253_402_300_799_999) | st.none()
row = st.tuples(
    text, real, st.integers(-(2**63), 2**63 - 1), st.booleans(), time, st.floats(-1e8, 1e8)
)


@settings(max_examples=60, deadline=None)
@given(rows=st.lists(row, max_size=8))
def test_read__gives_back_any_values(scrap_job, same_rows, rows):
    names, reals, wholes, flags, milliseconds, x = zip(*rows, strict=True) if rows else [()] * 6
    when = np.array(["NaT" if m is None else m for m in milliseconds], dtype="datetime64[ms]")
    ends = np.array([[[a, 0.0], [a + 1.0, -a]] for a in x]).reshape(-1, 2, 2)
    runs = Runs.build(
        len(rows), run_id=[f"S001-{i:04d}" for i in range(len(rows))], session_id=list(names),
        heading_deg=list(reals), pass_no=list(wholes), accepted=list(flags), start_utc=when,
        geometry=list(shapely.linestrings(ends)),
    )  # fmt: skip
    with Job.open(scrap_job) as job:
        with job.change("test") as change:
            change.replace(runs)
        assert same_rows(job.read(Runs), runs)


def test_read__rows_come_in_the_order_of_their_feature_ids(job_path, lanes_of):
    found = stored(job_path, Lanes, lanes_of(["2-001", "1-010", "1-002b", "1-002", "1-002a"]))
    assert found.lane_id.tolist() == ["1-002", "1-002a", "1-002b", "1-010", "2-001"]


# --- other readers --------------------------------------------------------------------------


@pytest.mark.parametrize("layer", ROWS, ids=lambda layer: layer.table)
def test_file__reads_the_same_with_geopandas(job_path, rows_of, layer):
    rows = rows_of(layer)
    stored(job_path, layer, rows)
    frame = geopandas.read_file(job_path, layer=layer.table, fid_as_index=True)
    order = np.argsort(rows.feature_ids())
    assert frame.index.tolist() == sorted(rows.feature_ids().tolist())
    for column in layer.columns():
        expected = getattr(rows, column.name)[order]
        found = frame[column.name]
        unknown = found.isna().to_numpy()
        if column.kind.value in ("text", "bytes"):
            assert [v or None for v in expected] == [None if u else v for u, v in
                                                     zip(unknown, found, strict=True)]  # fmt: skip
        elif column.kind.value == "UTC time":
            assert found.dt.tz is not None
            naive = found.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy("datetime64[ms]")
            np.testing.assert_array_equal(naive, expected)
        else:
            np.testing.assert_array_equal(found.to_numpy(), expected)
    if layer.geometry_type:
        assert frame.crs == CRS.from_epsg(32630)
        assert shapely.equals(frame.geometry.to_numpy(), rows.geometry[order]).all()
        with fiona.open(job_path, layer=layer.table) as table:
            assert len(table) == len(rows)
            np.testing.assert_allclose(table.bounds, shapely.total_bounds(rows.geometry))


def test_file__spatial_filter_agrees_with_brute_force(job_path, lanes_of):
    rng = np.random.default_rng(5)
    with Job.open(job_path) as job, job.change("lanes") as change:
        change.replace(lanes_of([f"1-{i:03d}" for i in range(1, 400)]))
        change.replace(lanes_of([f"1-{i:03d}" for i in range(100, 900)], shift=7.0))
    with Job.open(job_path) as job:
        lanes = job.read(Lanes)
    with fiona.open(job_path, layer="lanes") as table:
        for x, y, width in rng.uniform((-100, -50, 0), (2000, 150, 300), (40, 3)):
            box = shapely.box(x, y, x + width, y + width)
            found = sorted(f.properties["lane_id"] for f in table.filter(bbox=box.bounds))
            assert found == sorted(lanes.lane_id[shapely.intersects(lanes.geometry, box)])


# --- opening --------------------------------------------------------------------------------


def test_open__missing_file(tmp_path):
    with pytest.raises(FileError, match=r"yard\.gpkg: no such file; start a job with"):
        Job.open(tmp_path / "yard.gpkg")
    assert not list(tmp_path.iterdir())


def test_open__folder(tmp_path):
    with pytest.raises(FileError, match="is not a file"):
        Job.open(tmp_path)


@pytest.mark.parametrize("content", [b"", b"not a database, whatever its name says" * 99])
def test_open__not_a_geopackage(tmp_path, content):
    path = tmp_path / "yard.gpkg"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"yard\.gpkg is not a GeoPackage"):
        Job.open(path)
    assert path.read_bytes() == content


def test_open__damaged_file(job_path):
    data = bytearray(job_path.read_bytes())
    data[4096:] = bytes([7]) * (len(data) - 4096)
    job_path.write_bytes(data)
    with pytest.raises(InputError, match=r"yard\.gpkg is damaged"):
        Job.open(job_path)


def test_open__geopackage_but_not_a_job(tmp_path):
    path = tmp_path / "roads.gpkg"
    frame = geopandas.GeoDataFrame(geometry=[shapely.Point(1, 2)], crs=32630)
    frame.to_file(path, layer="roads")
    with pytest.raises(MissingError, match="is a GeoPackage but not a job: it has no layer site"):
        Job.open(path)


def test_open__layer_taken_out(job_path, in_sql):
    in_sql(job_path, "DROP TABLE tape")
    with pytest.raises(MissingError, match=r"layer tape is missing; .* --repair COPY\.gpkg$"):
        Job.open(job_path)


def test_open__column_taken_out(job_path, in_sql):
    in_sql(job_path, "ALTER TABLE tape RENAME COLUMN from_m TO start")
    with pytest.raises(InputError, match=r"column from_m is missing; .* --repair COPY"):
        Job.open(job_path)


def test_open__layer_in_another_crs(job_path, in_sql):
    in_sql(job_path, "UPDATE gpkg_geometry_columns SET srs_id = 4326 WHERE table_name = 'hits'")
    with pytest.raises(InputError, match="layer hits: its CRS differs"):
        Job.open(job_path)


# --- what people put into tables ------------------------------------------------------------


@pytest.mark.parametrize(
    ("statement", "problem"),
    [
        ("UPDATE hits SET struck = NULL", "struck is empty, not a yes/no"),
        ("UPDATE hits SET strength = 'loud'", "strength is 'loud', not a number"),
        ("UPDATE hits SET time_utc = '1 May'", "time_utc is '1 May': write UTC"),
        ("UPDATE hits SET geom = NULL", "has no geometry"),
        ("UPDATE hits SET hit_id = NULL", "hit_id is empty: write one"),
        ("UPDATE hits SET hit_id = 'H0001'", "hit_id H0001 appears twice"),
        ("UPDATE hits SET geom = x'4750000100000000'", "has a geometry that cannot be read"),
    ],
)
def test_read__names_file_layer_and_row_that_cannot_be_used(job_path, statement, problem, in_sql):
    ids = ["H0001", "H0002", "H0003"]
    stored(job_path, Hits, Hits.build(hit_id=ids, geometry=list(shapely.points([0, 1, 2], 0))))
    in_sql(job_path, f"{statement} WHERE fid = 2")
    with Job.open(job_path) as job, pytest.raises(InputError, match=problem) as error:
        job.read(Hits)
    assert str(error.value).startswith(f"{job_path}, layer hits, fid 2: ")


def test_read__takes_rows_that_a_gis_added(job_path):
    stored(job_path, Hits, Hits.build(hit_id=["H0001"], geometry=[shapely.Point(0, 1)]))
    with fiona.open(job_path, "a", layer="hits") as table:
        empty = dict.fromkeys(table.schema["properties"])
        point = {"type": "Point", "coordinates": (5.0, 6.0)}
        table.write(
            {"geometry": point, "properties": {**empty, "hit_id": "H0002", "struck": False}}
        )
    with Job.open(job_path) as job:
        hits = job.read(Hits)
    assert hits.hit_id.tolist() == ["H0001", "H0002"]
    assert hits.geometry[1].equals(shapely.Point(5, 6))
    assert np.isnan(hits.strength[1])


def test_read__ignores_columns_that_a_user_added(job_path, lanes_of, same_rows, in_sql):
    in_sql(job_path, "ALTER TABLE lanes ADD COLUMN mine TEXT")
    assert same_rows(stored(job_path, Lanes, lanes_of(["1-001"])), lanes_of(["1-001"]))


def test_read__fails_once_the_file_has_changed(job_path, lanes_of):
    with Job.open(job_path) as job:
        job.read(Lanes)
        stored(job_path, Lanes, lanes_of(["1-001"]))
        with pytest.raises(JobBusyError, match="changed meanwhile"):
            job.read(Lanes)


def test_read__fixes_are_decoded_in_bulk(job_path):
    n = 5000
    xy = np.random.default_rng(1).uniform(0, 1e6, (n, 2))
    fixes = Fixes.build(
        fix_id=[f"F{i:06d}" for i in range(n)],
        geometry=shapely.points(xy),
        time_utc=np.datetime64("2026-05-01T08:00:00", "ms") + np.arange(n) * 1000,
    )
    found = stored(job_path, Fixes, fixes)
    assert np.array_equal(shapely.get_coordinates(found.geometry), xy)
    assert np.array_equal(found.time_utc, fixes.time_utc)
