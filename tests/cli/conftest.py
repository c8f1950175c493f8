"""A small site on disk, and the command as a user calls it."""

import json
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


@pytest.fixture
def gridtools():
    """Run a command; any exception that is not a click error fails the test."""

    def call(*words, code=0):
        result = CliRunner().invoke(cli, [str(w) for w in words])
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        outcome = Outcome(result.exit_code, result.stdout, result.stderr)
        assert outcome.code == code, outcome
        assert "Traceback" not in outcome.out + outcome.err
        return outcome

    return call


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


@pytest.fixture
def boundary(tmp_path):
    """A rectangle of 60 m by 40 m, EPSG:32633."""
    square = polygon([500000, 5800000], [500060, 5800000], [500060, 5800040], [500000, 5800040])
    return feature_collection(tmp_path / "boundary.geojson", [(square, {"name": "Field"})])


@pytest.fixture
def job(tmp_path, gridtools, boundary):
    path = tmp_path / "job.gpkg"
    gridtools("new", path, "--site", boundary)
    return path


@pytest.fixture
def planned(job, gridtools):
    gridtools("lanes", job, "--spacing", "2m", "--sweep-width", "4m", "--bearing", "0")
    return job
