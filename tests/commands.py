"""The command as a user calls it, and files for it to read."""

import json
from dataclasses import dataclass
from pathlib import Path

from click.testing import CliRunner

from gridtools.cli import cli

ROOT = Path(__file__).parent.parent


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
