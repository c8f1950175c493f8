import json

import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import xy as cell_centres

from gridtools.job import Job
from gridtools.layers import Runs, SearchArea

from ..walks import lanes_of, walk_gpx


@pytest.fixture
def walked(tmp_path, planned, gridtools):
    """All lanes walked without error but three of pass 1; W is 4 m, S is 2 m."""
    lanes, crs = lanes_of(planned)
    log = tmp_path / "walk.gpx"
    log.write_text(walk_gpx(lanes, crs, skip=["1-002", "1-003", "1-004"]))
    gridtools("record", planned, log)
    return planned


def inverse_cube(distance_m, width_m):
    """Koopman 1946; Washburn 2002, 2.4: 1 - exp(-W² / (4 pi x²))."""
    return -np.expm1(-((width_m / np.maximum(distance_m, 1e-9)) ** 2) / (4 * np.pi))


def brute_force(job_path, band_shape, transform, width_m):
    """POD both ways and crossings in all, cell by cell, in the plainest way."""
    with Job.open(job_path) as job:
        runs, area = job.read(Runs), shapely.union_all(job.read(SearchArea).geometry)
    rows, columns = np.indices(band_shape).reshape(2, -1)
    points = shapely.points(*cell_centres(transform, rows, columns))
    inside = shapely.contains(area, points)
    miss, crossings = np.ones(inside.sum()), np.zeros(inside.sum())
    best = {1: np.zeros(inside.sum()), 2: np.zeros(inside.sum())}
    counted = runs.take(runs.accepted)
    assert set(counted.pass_no) <= {1, 2}
    for line, pass_no in zip(counted.geometry, counted.pass_no, strict=True):
        distance = shapely.distance(points[inside], line)
        p = inverse_cube(distance, width_m)
        miss *= 1 - p
        best[int(pass_no)] = np.maximum(best[int(pass_no)], p)
        crossings += distance <= width_m / 2
    both = 1 - (1 - best[1]) * (1 - best[2])
    return inside.reshape(band_shape), 1 - miss, both, crossings


def test_coverage__pod_map_as_brute_force(gridtools, walked, tmp_path):
    out = tmp_path / "pod.tif"
    result = gridtools("coverage", walked, "--pod", out, "--json").json
    with rasterio.open(out) as file:
        bands, transform, nodata = file.read(), file.transform, file.nodata
    inside, near, careful, crossings = brute_force(walked, bands.shape[1:], transform, 4.0)
    assert ((bands[0] != nodata) == inside).all()
    assert np.abs(bands[0][inside] - near).max() < 0.001
    assert np.abs(bands[1][inside] - careful).max() < 0.001
    assert np.mean(bands[2:].sum(axis=0)[inside] != crossings) < 0.001
    assert result["pod"]["cell_m"] == 0.5
    assert result["pod"]["mean"]["independent"] == pytest.approx(near.mean(), abs=1e-3)


@pytest.mark.slow
def test_coverage__pod_map_of_the_demo(gridtools, tmp_path):
    """Within half a percentage point of brute force in every cell."""
    gridtools("demo", tmp_path / "demo")
    job, out = tmp_path / "demo" / "yard.gpkg", tmp_path / "pod.tif"
    # Exact positions and a sweep width that was only given: the law is then written down above.
    gridtools("coverage", job, "--sweep-width", "3m", "--fix-accuracy", "0.001mm", "--pod", out)
    with rasterio.open(out) as file:
        bands, transform = file.read(), file.transform
    inside, near, careful, _ = brute_force(job, bands.shape[1:], transform, 3.0)
    assert np.abs(bands[0][inside] - near).max() < 0.005
    assert np.abs(bands[1][inside] - careful).max() < 0.005


def test_coverage__cell_needs_a_map(gridtools, walked):
    assert "--pod" in gridtools("coverage", walked, "--cell", "1m", code=2).err


def test_coverage__pod_map_never_over_the_job(gridtools, walked, tmp_path):
    before = walked.read_bytes()
    assert "ends in .tif" in gridtools("coverage", walked, "--pod", walked, code=1).err
    other = tmp_path / "photo.tif"
    other.write_bytes(b"x")
    assert "choose another name" in gridtools("coverage", walked, "--pod", other, code=1).err
    missing = tmp_path / "none" / "pod.tif"
    assert "cannot be written" in gridtools("coverage", walked, "--pod", missing, code=1).err
    assert walked.read_bytes() == before


def test_residual__figures(gridtools, walked, tmp_path):
    out = tmp_path / "pod.tif"
    gridtools("coverage", walked, "--pod", out)
    result = gridtools("residual", walked, "--expected", "3", "--pod", "80", "--json").json
    with rasterio.open(out) as file:
        near, careful = file.read([1, 2], masked=True)
    missed = result["search_area"]["missed"]
    assert missed["independent"] == pytest.approx(1 - near.mean(), abs=2e-4)
    assert missed["cautious"] == pytest.approx(1 - careful.mean(), abs=2e-4)
    below = result["search_area"]["below_m2"]["cautious"]
    assert below == pytest.approx((careful < 0.8).sum() * 0.25)
    # Poisson: 3 objects, each missed with that chance.
    chance = 1 - np.exp(-3 * missed["cautious"])
    assert result["expected"]["cautious"]["chance"] == pytest.approx(chance)


def test_residual__says_what_it_rests_on_and_never_too_much(gridtools, walked):
    said = gridtools("residual", walked, "--expected", "2")
    text = " ".join((said.out + said.err).split())
    assert "sweep width assumed, not tested (4.00 m)" in text
    assert "inverse cube law" in text
    assert "cautious" in text
    assert "does not show that nothing is left" in text
    for word in ("clear", "safe", "100.0 %"):
        assert word not in text.lower()


def test_residual__before_any_walk(gridtools, planned):
    result = gridtools("residual", planned, "--json").json
    assert result["search_area"]["missed"] == {"independent": 1.0, "cautious": 1.0}
    assert result["search_area"]["not_passed_m2"] == pytest.approx(2400.0)


def test_residual__needs_a_sweep_width(gridtools, job):
    assert "sweep width" in gridtools("residual", job, code=1).err


def test_residual__standoffs_and_exclusions_apart(gridtools, walked, tmp_path):
    def square(path, x, **properties):
        ring = [[x, 5800010], [x + 8, 5800010], [x + 8, 5800020], [x, 5800020], [x, 5800010]]
        feature = {
            "type": "Feature",
            "properties": properties,
            "geometry": {"type": "Polygon", "coordinates": [ring]},
        }
        crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32633"}}
        path.write_text(
            json.dumps({"type": "FeatureCollection", "crs": crs, "features": [feature]})
        )
        return path

    pond = square(tmp_path / "pond.geojson", 500010, reason="pond")
    cable = square(tmp_path / "cable.geojson", 500040, kind="cable")
    gridtools("area", walked, "--exclusion", pond, "--interference", cable, "--standoff", "0.001mm")
    result = gridtools("residual", walked, "--json").json
    assert result["excluded_m2"]["pond"] == pytest.approx(80.0, rel=0.01)
    assert result["reduced"]["area_m2"] == pytest.approx(80.0, rel=0.05)
    missed = result["missed"]
    assert next(iter(missed)) == "standoff"
    assert missed["standoff"] == pytest.approx(missed["cautious"] + 80 / 2320, abs=0.01)
    text = gridtools("residual", walked).out
    assert "pond 80.0 m²" in text
    assert "inside a standoff" in text


def test_residual__low_end_comes_first_and_bounds_the_rest(gridtools, walked, tmp_path):
    """Forty test passes allow worse curves than the best: what these miss is said first."""
    rows = ["lateral_m,responded"]
    for k in range(40):
        x = (k % 20 - 9.5) * 0.4
        rows.append(f"{x:.2f},{'yes' if abs(x) < 1.9 else 'no'}")
    trials = tmp_path / "trials.csv"
    trials.write_text("\n".join(rows))
    assert "No test pass bounds the POD" in gridtools("residual", walked).out
    gridtools("spacing", trials, "--job", walked, "--spacing", "2m")
    result = gridtools("residual", walked, "--expected", "3", "--json").json
    ways = result["missed"]
    assert next(iter(ways)) == "low end"
    assert list(ways.values()) == sorted(ways.values(), reverse=True)
    assert ways["low end"] > 2 * ways["cautious"] + 0.001
    assert result["expected"]["low end"]["chance"] >= result["expected"]["cautious"]["chance"]
    out = gridtools("residual", walked, "--expected", "3").out
    assert "No test pass" not in out
    assert "at most 0" not in out
    assert out.index("low end: the worst curve") < out.index("cautious: no credit")


def test_residual__leaves_the_job_alone(gridtools, walked):
    before = walked.read_bytes()
    gridtools("residual", walked)
    assert walked.read_bytes() == before
