"""Jobs and rows that the tests of the job file share."""

import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely
from pyproj import CRS

from gridtools.columns import Kind
from gridtools.job import create_job
from gridtools.layers import Candidates, Lanes

GEOMETRIES = {
    "Point": "POINT (1000.25 2000.75)",
    "LineString": "LINESTRING (1000 2000, 1010.5 2020.25, 1011 2021)",
    "Polygon": "POLYGON ((0 0, 40 0, 40 30, 0 30, 0 0), (5 5, 5 9, 9 9, 9 5, 5 5))",
    "MultiPolygon": "MULTIPOLYGON (((0 0, 40 0, 40 30, 0 0)), ((50 0, 60 0, 60 9, 50 0)))",
}
IDS = {"lanes": "1-{:03d}", "infill": "1-i{:03d}", "recheck": "r{:03d}", "gaps": "2-{:03d}"}


@pytest.fixture(scope="session")
def empty_job(tmp_path_factory):
    """A job without rows, in UTM zone 30; copy it, never change it."""
    path = tmp_path_factory.mktemp("empty") / "empty.gpkg"
    create_job(path, CRS.from_epsg(32630))
    return path


@pytest.fixture
def job_path(empty_job, tmp_path):
    """A job without rows, in UTM zone 30."""
    return Path(shutil.copy(empty_job, tmp_path / "yard.gpkg"))


@pytest.fixture(scope="session")
def rows_of():
    """Function that makes rows of any layer: the last one knows nothing that may be unknown."""

    def make(layer, count=3, seed=0):
        rng = np.random.default_rng(seed)
        values = {}
        for column in layer.columns():
            values[column.name] = {
                Kind.TEXT: lambda: [f"tëxt '{i}\"" for i in range(count - 1)] + [""],
                Kind.WHOLE: lambda: rng.integers(-5, 2**40, count),
                Kind.REAL: lambda: np.append(rng.normal(0, 1e3, count - 1), np.nan),
                Kind.FLAG: lambda: rng.random(count) < 0.5,
                Kind.TIME: lambda: np.append(
                    np.datetime64("2026-05-01T10:00:00.123", "ms")
                    + rng.integers(0, 10**9, count - 1).astype("timedelta64[ms]"),
                    np.datetime64("NaT", "ms"),
                ),
                Kind.BLOB: lambda: [rng.bytes(20) for _ in range(count - 1)] + [b""],
            }[column.kind]()
            if column.kept and column.name == "status":
                values["status"] = ["open", "dug", "open"][:count]
        if layer.id_column:
            form = IDS.get(layer.table, "X{:04d}")
            values[layer.id_column] = [form.format(i) for i in range(1, count + 1)]
        if layer.geometry_type:
            shape = shapely.from_wkt(GEOMETRIES[layer.geometry_type])
            values["geometry"] = [
                shapely.transform(shape, lambda xy, d=d: xy + d)
                for d in rng.uniform(0, 5e5, (count, 2))
            ]
        return layer.build(count, **values)

    return make


@pytest.fixture(scope="session")
def same_rows():
    """Function that tells whether two layers hold the same rows, coordinates to a micrometre."""

    def same(a, b):
        assert type(a) is type(b)
        assert len(a) == len(b)
        for column in a.columns():
            np.testing.assert_array_equal(getattr(a, column.name), getattr(b, column.name))
        if a.geometry_type:
            assert shapely.equals_exact(a.geometry, b.geometry, tolerance=1e-6).all()
        return True

    return same


@pytest.fixture(scope="session")
def lanes_of():
    """Function that makes lanes by their ids."""

    def make(ids, shift=0.0):
        n = len(ids)
        x = np.arange(n) * 2.0 + shift
        ends = np.stack([np.column_stack([x, x * 0]), np.column_stack([x, x * 0 + 100])], axis=1)
        return Lanes.build(
            n, lane_id=list(ids), pass_no=1, seq=np.arange(1, n + 1), length_m=100.0,
            geometry=list(shapely.linestrings(ends)),
        )  # fmt: skip

    return make


@pytest.fixture(scope="session")
def candidates_of():
    """Function that makes candidates by their ids."""

    def make(ids, **columns):
        n = len(ids)
        return Candidates.build(
            n, candidate_id=list(ids), geometry=list(shapely.points(np.arange(n), 5.0)), **columns
        )

    return make


@pytest.fixture(scope="session")
def run_script():
    """Function that runs Python source in a child process, as an ordinary user if asked."""

    def run(source, *arguments, ordinary_user=False):
        # Root may write anywhere: give that up after the imports, which need root's own files.
        drop = "import os\nif os.getuid() == 0: os.setgid(65534); os.setuid(65534)\n"
        return subprocess.run(
            [sys.executable, "-c", source.replace("# drop", drop if ordinary_user else "")]
            + [str(argument) for argument in arguments],
            capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip

    return run


@pytest.fixture(scope="session")
def in_sql():
    """Function that does what a person does with a database browser knowing a GIS's functions."""

    def edit(path, statement):
        db = sqlite3.connect(path)
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            db.create_function(name, 1, lambda _: 0)
        with db:
            db.execute(statement)
        db.close()

    return edit
