import importlib.util
import os
import subprocess
import sys

import fiona
import numpy as np
import pytest
import shapely
from pyproj import CRS, Transformer

from gridtools.columns import Kind
from gridtools.errors import FileError, InputError, RefusedError
from gridtools.job import Job, Setting, create_job
from gridtools.layers import ALL_LAYERS, History, Settings, Site

YARD = Site.build(geometry=[shapely.box(500000, 5700000, 500100, 5700060)], name="yard")
UTM30 = CRS.from_epsg(32630)


def left_behind(folder):
    return sorted(path.name for path in folder.iterdir())


def test_create__file_is_complete_with_its_rows_settings_and_history(tmp_path, same_rows):
    path = tmp_path / "yard.gpkg"
    create_job(
        path, UTM30, [YARD], {"sweep_width_m": Setting(2.5, "m", "assumed")},
        command="new", options={"site": "yard.shp"},
    )  # fmt: skip
    assert left_behind(tmp_path) == ["yard.gpkg"]
    with Job.open(path) as job:
        assert same_rows(job.read(Site), YARD)
        assert job.crs == UTM30
        assert job.setting("sweep_width_m") == Setting("2.5", "m", "assumed")
        assert job.read(Settings).set_by.tolist() == ["new"]
        history = job.read(History)
    assert history.entry.tolist() == [1]
    assert history.command.tolist() == ["new"]
    assert history.options.tolist() == ['{"site": "yard.shp"}']
    assert history.outputs.tolist() == ['["site"]']


def test_create__every_table_has_the_types_that_its_layer_declares(empty_job):
    types = {
        Kind.TEXT: "str", Kind.WHOLE: "int", Kind.REAL: "float", Kind.FLAG: "bool",
        Kind.TIME: "datetime", Kind.BLOB: "bytes",
    }  # fmt: skip
    listed = set(fiona.listlayers(empty_job)) - {"layer_styles"}
    assert listed == {layer.table for layer in ALL_LAYERS}
    for layer in ALL_LAYERS:
        with fiona.open(empty_job, layer=layer.table) as table:
            found = {name: kind.split(":")[0] for name, kind in table.schema["properties"].items()}
            assert found == {column.name: types[column.kind] for column in layer.columns()}
            assert table.schema["geometry"] == (layer.geometry_type or "None")
            assert not layer.geometry_type or CRS.from_wkt(table.crs_wkt) == UTM30


def test_create__only_fixes_go_without_spatial_index(empty_job):
    with Job.open(empty_job) as job:
        indexed = {
            table
            for (table,) in job._store.db.execute(
                "SELECT table_name FROM gpkg_extensions WHERE extension_name = 'gpkg_rtree_index'"
            )
        }
    spatial = {layer.table for layer in ALL_LAYERS if layer.geometry_type}
    assert indexed == spatial - {"fixes"}


def test_create__says_what_each_layer_is(empty_job):
    with Job.open(empty_job) as job:
        rows = job._store.db.execute(
            "SELECT table_name, identifier, description FROM gpkg_contents"
        )
        found = {table: (identifier, description) for table, identifier, description in rows}
    assert found["search_area"][0] == "search area"
    assert found.pop("layer_styles")
    assert {t: d for t, (_, d) in found.items()} == {la.table: la.meaning for la in ALL_LAYERS}


@pytest.mark.skipif(
    importlib.util.find_spec("osgeo_utils") is None,
    reason="the validator is installed by: pip install --no-deps gdal-utils",
)
def test_create__valid_geopackage_empty_and_full(job_path, rows_of):
    check = [sys.executable, "-m", "osgeo_utils.samples.validate_gpkg"]
    run = subprocess.run([*check, job_path], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stdout + run.stderr
    with Job.open(job_path) as job, job.change("all") as change:
        for layer in ALL_LAYERS:
            if layer not in (History, Settings):
                change.append(rows_of(layer))
    run = subprocess.run([*check, job_path], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stdout + run.stderr
    # It does find fault: one row too many in the count that the file states of itself.
    with Job.open(job_path) as job:
        job._store.db.execute("UPDATE gpkg_contents SET srs_id = 99 WHERE table_name = 'lanes'")
    run = subprocess.run([*check, job_path], capture_output=True, text=True, check=False)
    assert run.returncode != 0


def test_create__refuses_an_existing_file_and_leaves_it_alone(tmp_path):
    path = tmp_path / "yard.gpkg"
    path.write_bytes(b"mine")
    with pytest.raises(RefusedError, match=r"yard\.gpkg exists"):
        create_job(path, UTM30)
    assert path.read_bytes() == b"mine"
    assert left_behind(tmp_path) == ["yard.gpkg"]


def test_create__refuses_a_file_that_appears_meanwhile(tmp_path, monkeypatch):
    path = tmp_path / "yard.gpkg"
    link = os.link

    def late(source, target):
        path.write_bytes(b"mine")
        link(source, target)

    monkeypatch.setattr(os, "link", late)
    with pytest.raises(RefusedError, match="exists by now"):
        create_job(path, UTM30)
    assert path.read_bytes() == b"mine"
    assert left_behind(tmp_path) == ["yard.gpkg"]


def test_create__works_without_hard_links(tmp_path, monkeypatch):
    def refuse(_source, _target):
        raise PermissionError

    monkeypatch.setattr(os, "link", refuse)
    create_job(tmp_path / "yard.gpkg", UTM30, [YARD])
    assert left_behind(tmp_path) == ["yard.gpkg"]


@pytest.mark.parametrize(
    ("name", "crs", "rows", "error", "problem"),
    [
        ("yard.txt", UTM30, [], InputError, "ends in .gpkg"),
        ("no/yard.gpkg", UTM30, [], FileError, "yard.gpkg cannot be written: No such file"),
        ("yard.gpkg", CRS.from_epsg(4326), [], InputError, "not a projected CRS"),
        ("yard.gpkg", UTM30, [YARD.with_columns(name=[7])], InputError, "layer site, row 1"),
    ],
)
def test_create__leaves_nothing_behind_on_failure(tmp_path, name, crs, rows, error, problem):
    with pytest.raises(error, match=problem):
        create_job(tmp_path / name, crs, rows)
    assert left_behind(tmp_path) == []


def test_create__full_disk_leaves_nothing_behind(tmp_path, run_script):
    """At every size of disk: one sentence that names the file asked for, and no file."""
    source = """
import resource, signal, sys
from pyproj import CRS, Transformer
from gridtools.errors import FileError
from gridtools.job import create_job
import fiona
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
for size in (0, 9_000, 100_000, 400_000):
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))
    try:
        create_job(sys.argv[1], CRS.from_epsg(32630))
    except FileError as error:
        print(str(error).startswith(sys.argv[1]))
"""
    run = run_script(source, tmp_path / "yard.gpkg")
    assert run.stdout.split() == ["True"] * 4, run.stderr
    assert left_behind(tmp_path) == []


@pytest.mark.parametrize(
    ("code", "factor"), [(32630, 1.0), (2222, 0.3048), (2225, 1200.0 / 3937.0)]
)  # metres, international feet, US survey feet: EPSG register
def test_create__in_the_units_of_the_crs(tmp_path, code, factor):
    path = tmp_path / "yard.gpkg"
    site = Site.build(geometry=[shapely.box(600000, 200000, 600100, 200060)], name="yard")
    create_job(path, CRS.from_epsg(code), [site])
    with fiona.open(path, layer="site") as table:
        assert CRS.from_wkt(table.crs_wkt) == CRS.from_epsg(code)
        np.testing.assert_allclose(np.array(table.bounds) * factor, site.geometry[0].bounds)
        assert next(iter(table)).geometry.type == "Polygon"
    with Job.open(path) as job:
        assert job.metres_per_unit == pytest.approx(factor, rel=1e-15)
        assert {axis.unit_name for axis in job.metric_crs.axis_info} == {"metre"}
        assert shapely.equals_exact(job.read(Site).geometry, site.geometry, tolerance=1e-8).all()


def test_create__crs_without_a_code(tmp_path):
    crs = CRS.from_proj4("+proj=tmerc +lat_0=51 +lon_0=-1 +k=1 +x_0=5000 +y_0=5000 +datum=WGS84")
    create_job(tmp_path / "yard.gpkg", crs)
    with Job.open(tmp_path / "yard.gpkg") as job:
        here = Transformer.from_crs(4326, job.crs, always_xy=True).transform(-1.01, 51.02)
    assert here == Transformer.from_crs(4326, crs, always_xy=True).transform(-1.01, 51.02)
