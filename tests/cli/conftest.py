"""A small site on disk, and the command as a user calls it."""

import json
import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner

from gridtools.cli import cli


@dataclass(frozen=True)
class Outcome:
    code: int
    out: str
    err: str

    @property
    def json(self):
        return json.loads(self.out)


def run(*words, code=0):
    """Run a command; any exception that is not a click error fails the test."""
    result = CliRunner().invoke(cli, [str(w) for w in words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    outcome = Outcome(result.exit_code, result.stdout, result.stderr)
    assert code is None or outcome.code == code, outcome
    assert "Traceback" not in outcome.out + outcome.err
    return outcome


@pytest.fixture
def gridtools():
    return run


def feature_collection(path: Path, features, epsg=32633) -> Path:
    """GeoJSON file of (geometry mapping, properties) pairs."""
    path.write_text(
        json.dumps(
            {
                "type": "FeatureCollection",
                "crs": {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{epsg}"}},
                "features": [
                    {"type": "Feature", "geometry": geometry, "properties": properties}
                    for geometry, properties in features
                ],
            }
        )
    )
    return path


def polygon(*points):
    return {"type": "Polygon", "coordinates": [[*points, points[0]]]}


def rectangle(path):
    """File with a rectangle of 60 m by 40 m, EPSG:32633."""
    square = polygon([500000, 5800000], [500060, 5800000], [500060, 5800040], [500000, 5800040])
    return feature_collection(path, [(square, {"name": "Field"})])


@pytest.fixture
def boundary(tmp_path):
    return rectangle(tmp_path / "boundary.geojson")


@pytest.fixture(scope="session")
def made(tmp_path_factory):
    """Jobs made once by the commands, to be copied: a bare one and one with lanes."""
    folder = tmp_path_factory.mktemp("made")
    bare, planned = folder / "bare.gpkg", folder / "planned.gpkg"
    run("new", bare, "--site", rectangle(folder / "boundary.geojson"))
    shutil.copy(bare, planned)
    run("lanes", planned, "--spacing", "2m", "--sweep-width", "4m", "--bearing", "0")
    return {"bare": bare, "planned": planned}


@pytest.fixture
def job(tmp_path, made):
    """A job with the rectangle as its site, and no lanes."""
    return Path(shutil.copy(made["bare"], tmp_path / "job.gpkg"))


@pytest.fixture
def planned(tmp_path, made):
    """The same with lanes 2 m apart, north and east, and a sweep width of 4 m."""
    return Path(shutil.copy(made["planned"], tmp_path / "job.gpkg"))
