"""POD map of a large survey: gridtools against scipy's cKDTree, in fresh processes.

Run it from the root of a checkout::

    python tests/benchmarks/bench_pod.py [HECTARES ...] [--repeats N]

Both work out the probability of detection of every cell of 0.25 m from the distance of every run,
independent between runs, with the same half-normal curve of W = 2 m cut off at the same distance.
The peer is what one would write with scipy: each track is densified to a point every 5 cm, and the
cells within reach of the track's bounds are asked for their nearest point, on both processors. The
lanes run along the axes of the grid, so that those bounds are tight, which favours it. The error is
that of gridtools against the exact distance to each track (shapely), at random cells.
"""

import argparse
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import seeded
import shapely

from gridtools.sensor.curves import HalfNormal

CELL_M = 0.25
DENSE_M = 0.05
CURVE = HalfNormal(seeded.SWEEP_WIDTH_M)
METHODS = ("cKDTree", "gridtools 1", "gridtools 2")
TRIED = 20_000


def survey(hectares):
    """Site, runs, and the cells over it."""
    from gridtools.layers import Runs
    from gridtools.swath.cells import CellGrid

    ground = seeded.site(hectares)
    tracks = [seeded.walk(seeded.lanes(ground, 90.0 * p), 1 + p) for p in (0, 1)]
    lines = np.concatenate(tracks)
    runs = Runs.build(
        geometry=lines, pass_no=np.repeat([1, 2], [len(t) for t in tracks]),
        heading_deg=np.repeat([0.0, 90.0], [len(t) for t in tracks]),
        length_m=shapely.length(lines), accepted=True,
    )  # fmt: skip
    return ground, runs, CellGrid.over(ground, CELL_M)


def with_tree(runs, grid):
    """Chance of a miss of every cell, by nearest points of densified tracks."""
    from scipy.spatial import cKDTree

    reach = CURVE.reach_m()
    miss = np.ones((grid.rows, grid.columns), dtype=np.float32)
    for line in runs.geometry:
        tree = cKDTree(shapely.get_coordinates(shapely.segmentize(line, DENSE_M)))
        west, south, east, north = line.bounds
        c0 = max(int((west - reach - grid.west_m) / CELL_M), 0)
        c1 = min(int((east + reach - grid.west_m) / CELL_M) + 1, grid.columns)
        r0 = max(int((grid.north_m - north - reach) / CELL_M), 0)
        r1 = min(int((grid.north_m - south + reach) / CELL_M) + 1, grid.rows)
        x = grid.west_m + (np.arange(c0, c1) + 0.5) * CELL_M
        y = grid.north_m - (np.arange(r0, r1) + 0.5) * CELL_M
        cells = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
        distance, _ = tree.query(cells, distance_upper_bound=reach, workers=2)
        near = np.flatnonzero(distance <= reach)
        part = miss[r0:r1, c0:c1]
        row, column = np.divmod(near, c1 - c0)
        part[row, column] *= 1 - CURVE.probability(distance[near])
    return miss


def with_gridtools(ground, runs, grid, threads):
    """The same by windows."""
    from gridtools.coverage.pod import PodMap, accepted_passes
    from gridtools.layers import Lanes

    passes = accepted_passes(Lanes.empty(), runs)
    miss = np.ones((grid.rows, grid.columns), dtype=np.float32)
    for part in PodMap(ground, passes, CURVE, grid, threads=threads).windows():
        w = part.window
        miss[w.row : w.row + w.rows, w.column : w.column + w.columns] = 1 - part.independent
    return miss


def work(method, hectares, out):
    """One fresh process: time, memory, and some values in a file."""
    ground, runs, grid = survey(hectares)
    started = time.perf_counter(), time.process_time()
    if method == "cKDTree":
        miss = with_tree(runs, grid)
    else:
        miss = with_gridtools(ground, runs, grid, int(method.split()[1]))
    wall, cpu = time.perf_counter() - started[0], time.process_time() - started[1]
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    np.save(out, miss)
    print(json.dumps({"wall": wall, "cpu": cpu, "peak": peak}))


def exact(hectares):
    """Random cells inside the site, and their chance of a miss by exact distances."""
    ground, runs, grid = survey(hectares)
    rng = np.random.default_rng(5)
    row, column = rng.integers(grid.rows, size=TRIED), rng.integers(grid.columns, size=TRIED)
    x = grid.west_m + (column + 0.5) * CELL_M
    y = grid.north_m - (row + 0.5) * CELL_M
    inside = shapely.contains_xy(ground, x, y)
    row, column, points = row[inside], column[inside], shapely.points(x[inside], y[inside])
    cell, run = shapely.STRtree(runs.geometry).query(
        points, predicate="dwithin", distance=2 * CURVE.reach_m()
    )
    chance = CURVE.probability(shapely.distance(points[cell], runs.geometry[run]))
    lost = np.bincount(cell, np.log1p(-np.minimum(chance, 1 - 1e-12)), len(points))
    return row, column, np.exp(lost)


def bench(hectares, repeats):
    """Table of times for one size of survey."""
    _, runs, grid = survey(hectares)
    cells = grid.rows * grid.columns
    print(f"\n{hectares:g} ha, {len(runs)} runs, {cells / 1e6:.1f} million cells of {CELL_M} m")
    print(f"{'method':14}{'seconds':>9}{'cpu s':>8}{'peak MB':>9}{'ratio':>7}{'error':>10}")
    row, column, true = exact(hectares)
    base = None
    with tempfile.TemporaryDirectory() as folder:
        for method in METHODS:
            done = []
            for _ in range(repeats):
                out = Path(folder) / "miss.npy"
                command = [sys.executable, __file__, "--work", method, str(hectares), str(out)]
                ran = subprocess.run(command, check=True, capture_output=True, text=True)
                done.append(json.loads(ran.stdout))
            error = np.abs(np.load(out, mmap_mode="r")[row, column] - true).max()
            wall, cpu, peak = (
                statistics.median(r[key] for r in done) for key in ("wall", "cpu", "peak")
            )
            base = base or wall
            print(
                f"{method:14}{wall:9.2f}{cpu:8.2f}{peak:9.0f}{base / wall:7.1f}{error:10.1e}",
                flush=True,
            )


def main():
    """Read the command line."""
    if sys.argv[1:2] == ["--work"]:
        work(sys.argv[2], float(sys.argv[3]), sys.argv[4])
        return
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("hectares", nargs="*", type=float, default=[1.0, 100.0])
    parser.add_argument("--repeats", type=int, default=3)
    options = parser.parse_args()
    for hectares in options.hectares:
        bench(hectares, options.repeats)


if __name__ == "__main__":
    main()
