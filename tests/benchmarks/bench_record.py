"""`gridtools record` of a million fixes against fiona that only reads their GPX, side by side.

Run it from the root of a checkout::

    python tests/benchmarks/bench_record.py [--hectares 106] [--repeats 3]

A seeded survey is planned with the commands themselves and walked at 1 Hz. Our side is the whole
command in a fresh process: start, reading, matching to lanes, runs, and the job written and
synced. The other side is a fresh process that iterates over fiona's ``track_points`` of the same
file and keeps nothing. The two take turns. The table gives medians; ratios are fiona over ours.
"""

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import fiona
import numpy as np
import seeded
import shapely

from gridtools.geodesy import WGS84, transform_xy
from gridtools.job import Job
from gridtools.layers import Lanes

START = np.datetime64("2026-03-02T08:00:00", "s")
READ_ONLY = (
    "import fiona, sys\n"
    "with fiona.open(sys.argv[1], layer='track_points') as points:\n"
    "    print(sum(1 for _ in points))\n"
)


def gridtools(*words):
    """Command line of gridtools in a fresh process."""
    return [str(Path(sys.executable).with_name("gridtools")), *map(str, words)]


def planned_job(folder, hectares):
    """A job with both passes planned."""
    site, job = folder / "site.gpkg", folder / "job.gpkg"
    ground = shapely.transform(
        seeded.site(hectares), lambda xy: xy + np.array([450_000, 5_700_000])
    )
    schema = {"geometry": "Polygon", "properties": {}}
    with fiona.open(site, "w", "GPKG", schema, crs="EPSG:32632") as out:
        out.write({"geometry": shapely.geometry.mapping(ground), "properties": {}})
    for words in (
        ("new", job, "--site", site),
        ("lanes", job, "--spacing", "1.6m", "--sweep-width", "2m", "--bearing", "0"),
    ):
        subprocess.run(gridtools(*words), check=True, capture_output=True)
    return job


def write_walk(job, path):
    """Walk the lanes of a job in order, one fix a second, with 9 s for each turn."""
    with Job.open(job) as opened:
        lanes, crs = opened.read(Lanes), opened.metric_crs
    lines = seeded.walk(lanes.geometry[np.argsort(lanes.seq, kind="stable")], 1)
    xy, line = shapely.get_coordinates(lines, return_index=True)
    lonlat = transform_xy(xy, crs, WGS84)
    times = (START + np.arange(len(xy)) + 9 * line).astype(str)
    with path.open("w") as out:
        out.write(
            '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="seeded" '
            'xmlns="http://www.topografix.com/GPX/1/1">\n<trk>\n<trkseg>\n'
        )
        for (lon, lat), at in zip(lonlat.tolist(), times.tolist(), strict=True):
            out.write(
                f'<trkpt lat="{lat:.9f}" lon="{lon:.9f}">'
                f"<ele>31.0</ele><time>{at}Z</time></trkpt>\n"
            )
        out.write("</trkseg>\n</trk>\n</gpx>\n")
    return len(xy)


def measured(command):
    """Seconds on the clock, processor seconds and peak MB of a fresh process."""
    started = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    seconds = time.perf_counter() - started
    if status:
        raise SystemExit(f"failed: {command}")
    return seconds, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--hectares", type=float, default=106.0)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--keep", type=Path, help="folder for job and log, kept for next time")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.keep or Path(scratch)
        folder.mkdir(exist_ok=True)
        job, log = folder / "job.gpkg", folder / "walk.gpx"
        if not log.exists():
            write_walk(planned_job(folder, given.hectares), log)
        copy = Path(scratch) / "copy.gpkg"
        ours, theirs = [], []
        for _ in range(given.repeats):
            shutil.copy(job, copy)
            ours.append(measured(gridtools("record", copy, log, "-q")))
            theirs.append(measured([sys.executable, "-c", READ_ONLY, log]))
            # Each pair as it comes, for a long run on a busy machine.
            print(*(f"{v:.1f}" for v in (*ours[-1], *theirs[-1])), file=sys.stderr, flush=True)
        with fiona.open(copy, layer="fixes") as fixes, fiona.open(copy, layer="runs") as runs:
            counts = f"{len(fixes):,} fixes, {len(runs):,} runs"
        print(f"{counts}, GPX of {log.stat().st_size / 1e6:.0f} MB")
    print(f"{'':26}{'seconds':>9}{'cpu s':>8}{'peak MB':>9}")
    rows = [[statistics.median(c) for c in zip(*r, strict=True)] for r in (ours, theirs)]
    for name, row in zip(("gridtools record", "fiona, reading alone"), rows, strict=True):
        print(f"{name:26}{row[0]:9.2f}{row[1]:8.2f}{row[2]:9.0f}")
    ratio = [theirs / ours for ours, theirs in zip(*rows, strict=True)]
    print(f"{'ratio':26}{ratio[0]:9.2f}{ratio[1]:8.2f}{ratio[2]:9.2f}")


if __name__ == "__main__":
    main()
