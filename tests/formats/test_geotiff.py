import numpy as np
import pytest
import rasterio
import shapely
from pyproj import CRS

from gridtools.coverage.pod import PodMap, accepted_passes
from gridtools.errors import FileError, InputError, RefusedError
from gridtools.formats.geotiff import write_pod_map
from gridtools.layers import Lanes, Runs
from gridtools.sensor.curves import HalfNormal
from gridtools.swath.cells import CellGrid

FEET = CRS.from_epsg(2222)  # Arizona East, international feet
FOOT = 0.3048
AREA = shapely.Polygon([(300, 200), (640, 210), (600, 420), (310, 400)])


def written(path, *, cell_ft=1.0):
    runs = Runs.build(
        geometry=[shapely.LineString([(x, 150), (x, 450)]) for x in (350, 352, 420)],
        pass_no=1, heading_deg=[0.0, 180.0, 0.0], length_m=300.0, accepted=True,
    )  # fmt: skip
    grid = CellGrid.over(AREA, cell_ft * FOOT)
    passes = accepted_passes(Lanes.empty(), runs)
    write_pod_map(
        path, PodMap(AREA, passes, HalfNormal(4.0), grid).windows(), grid, crs=FEET,
        metres_per_unit=FOOT, bearings_deg=passes.bearings_deg,
        statements={"SWEEP_WIDTH": "sweep width assumed, not tested (4.00 m)"},
    )  # fmt: skip


def test_write__rasterio_reads_it(tmp_path):
    """CRS and cells in the job's own unit, bands named, no data outside, the values in place."""
    path = tmp_path / "pod.tif"
    written(path)
    with rasterio.open(path) as file:
        assert file.crs.to_epsg() == 2222
        assert file.res == (1.0, 1.0)
        assert file.transform.c % 1.0 == pytest.approx(0.0, abs=1e-9)
        assert file.block_shapes[0] == (256, 256)
        assert file.compression.name == "deflate"
        assert file.overviews(1) == [2, 4]
        assert file.descriptions[2:4] == ("crossings on heading 0.0 deg",
                                          "crossings on heading 180.0 deg")  # fmt: skip
        assert file.units[:3] == ("1", "1", "runs")
        assert "assumed, not tested" in file.tags()["SWEEP_WIDTH"]
        for x, y, want in [
            (351.0, 300.0, [1, 1, 0, 0]),
            (420.0, 300.0, [1, 0, 0, 0]),
            (500.0, 300.0, [0, 0, 0, 0]),
        ]:
            near, careful, *crossings = next(file.sample([(x / FOOT, y / FOOT)]))
            assert crossings == want
            p = HalfNormal(4.0).probability(np.array([x - 350, x - 352, x - 420]))
            assert near == pytest.approx(1 - np.prod(1 - p), abs=0.03)
            assert careful == pytest.approx(p.max(), abs=0.03)
            assert near < 1.0
        outside = next(file.sample([(302.0 / FOOT, 415.0 / FOOT)]))
        assert (outside == file.nodata).all()
        mask = file.dataset_mask() > 0
    assert mask.sum() * FOOT**2 == pytest.approx(AREA.area, rel=1e-3)


def test_write__again_gives_the_same_bytes(tmp_path):
    path = tmp_path / "pod.tif"
    written(path)
    once = path.read_bytes()
    written(path)
    assert path.read_bytes() == once
    assert [p.name for p in tmp_path.iterdir()] == ["pod.tif"]


def test_write__not_over_another_file(tmp_path):
    path = tmp_path / "photo.tif"
    path.write_bytes(b"somebody's photograph")
    with pytest.raises(RefusedError, match="choose another name"):
        written(path)
    assert path.read_bytes() == b"somebody's photograph"


def test_write__other_suffix(tmp_path):
    with pytest.raises(InputError, match=r"ends in \.tif"):
        written(tmp_path / "pod.gpkg")


def test_write__no_such_folder(tmp_path):
    with pytest.raises(FileError, match="cannot be written"):
        written(tmp_path / "none" / "pod.tif")


def test_write__disk_full(tmp_path):
    """A limit on the size of a file stands for the full disk; what was there stays."""
    import resource
    import signal

    path = tmp_path / "pod.tif"
    written(path, cell_ft=4.0)
    before = path.read_bytes()
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    old = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, limits[1]))
        with pytest.raises(FileError, match=r"pod\.tif cannot be written"):
            written(path)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        signal.signal(signal.SIGXFSZ, old)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["pod.tif"]
