"""Coverage and gaps of a large survey: gridtools against a geopandas script, in fresh processes.

Run it from the root of a checkout::

    python tests/benchmarks/bench_coverage.py [HECTARES ...] [--repeats N]

Both are given the same lines in memory, one for each lane walked, and work out what each of two
passes left uncovered: every gap as a polygon, and the covered area. geopandas buffers every line,
unites the buffers of a pass and takes the union off the site. The table gives the median time,
the processor time behind it, the peak memory of the process, and the ratio of times; below it
stands how well the gaps agree. With two threads the ratio needs a second core that is idle.
"""

import argparse
import json
import pickle
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

METHODS = ("geopandas", "gridtools 1", "gridtools 2", "measure 2")


def survey(hectares):
    """Site, and tracks of both passes."""
    ground = seeded.site(hectares)
    return ground, [seeded.walk(seeded.lanes(ground, 90.0 * p), 1 + p) for p in (0, 1)]


def with_geopandas(ground, tracks):
    """Gaps of each pass by a plain script."""
    import geopandas

    found = []
    for lines in tracks:
        runs = geopandas.GeoSeries(lines)
        swept = runs.buffer(seeded.SWEEP_WIDTH_M / 2, 8).union_all()
        gaps = geopandas.GeoSeries([ground]).difference(swept).explode(ignore_index=True)
        found.append(gaps[gaps.area > 0].to_numpy())
    return found


def with_gridtools(ground, tracks, threads):
    """Gaps of each pass by tiles."""
    from gridtools.swath.uncovered import uncovered

    half = seeded.SWEEP_WIDTH_M / 2
    return [uncovered(ground, lines, half, threads=threads) for lines in tracks]


def with_measure(ground, tracks, threads):
    """Everything that the coverage command computes: figures, listed gaps, infill lanes."""
    from datetime import date

    from pyproj import CRS

    from gridtools.coverage.measure import measure_coverage
    from gridtools.layers import Infill, Lanes, Runs, SearchArea
    from gridtools.units import bearing_of

    ends = [
        np.stack([shapely.get_coordinates(shapely.get_point(t, i)) for i in (0, -1)], axis=1)
        for t in tracks
    ]
    names = [[f"{p}-{i + 1:03d}" for i in range(len(t))] for p, t in enumerate(tracks, 1)]
    lanes = Lanes.concat([
        Lanes.build(
            geometry=list(shapely.linestrings(e)), lane_id=n, pass_no=p,
            seq=np.arange(1, len(e) + 1), length_m=shapely.length(t),
            bearing_deg=bearing_of(*(e[:, 1] - e[:, 0]).T),
        )
        for p, (e, t, n) in enumerate(zip(ends, tracks, names, strict=True), 1)
    ])  # fmt: skip
    runs = Runs.build(
        geometry=np.concatenate(tracks), lane_id=lanes.lane_id, pass_no=lanes.pass_no,
        heading_deg=lanes.bearing_deg, length_m=lanes.length_m, accepted=True,
    )  # fmt: skip
    area = SearchArea.build(
        geometry=[shapely.MultiPolygon([ground])], confidence="full", area_m2=ground.area
    )
    started = time.perf_counter(), time.process_time()
    found = measure_coverage(
        area, runs, lanes, sweep_width_m=seeded.SWEEP_WIDTH_M, passes=2, min_gap_m2=0.5,
        infill=Infill.empty(), crs=CRS(32631), on=date(2026, 3, 1),
        no_go=shapely.Polygon(ground.exterior).difference(ground),
        lane_spacing_m=seeded.SPACING_M, threads=threads,
    )  # fmt: skip
    return [found.gaps.geometry[found.gaps.pass_no == p] for p in (1, 2)], started


def work(method, hectares, out):
    """One fresh process: time, memory, and the gaps in a file."""
    ground, tracks = survey(hectares)
    if method == "geopandas":
        import geopandas  # noqa: F401  (imports are not timed)
    else:
        import gridtools.swath.uncovered  # noqa: F401
    started = time.perf_counter(), time.process_time()
    if method == "geopandas":
        gaps = with_geopandas(ground, tracks)
    elif method == "measure 2":
        gaps, started = with_measure(ground, tracks, 2)
    else:
        gaps = with_gridtools(ground, tracks, int(method.split()[1]))
    wall, cpu = time.perf_counter() - started[0], time.process_time() - started[1]
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    Path(out).write_bytes(pickle.dumps([shapely.to_wkb(g).tolist() for g in gaps]))
    print(json.dumps({"wall": wall, "cpu": cpu, "peak": peak}))


def agreement(one, other):
    """How the gaps of two methods agree, pass by pass."""
    for p, (a, b) in enumerate(zip(one, other, strict=True), 1):
        a, b = (shapely.from_wkb(np.array(g, dtype=object)) for g in (a, b))
        a, b = a[shapely.area(a) >= 1e-6], b[shapely.area(b) >= 1e-6]
        i, j = shapely.STRtree(b).query(shapely.point_on_surface(a), predicate="intersects")
        paired = sorted(i) == list(range(len(a))) and sorted(j) == list(range(len(b)))
        apart = shapely.area(shapely.symmetric_difference(a[i], b[j])).max(initial=0.0) * 1e4
        total = shapely.area(a).sum() / shapely.area(b).sum() - 1
        print(
            f"pass {p}: {len(a)} and {len(b)} gaps, {'all' if paired else 'NOT all'} paired; "
            f"a pair differs by at most {apart:.3f} cm²; areas by {total:.1e}"
        )


def bench(hectares, repeats):
    """Table of times for one size of survey."""
    _, tracks = survey(hectares)
    points = sum(int(shapely.get_num_coordinates(t).sum()) for t in tracks)
    print(f"\n{hectares:g} ha, {sum(map(len, tracks))} lanes, {points} fixes")
    print(f"{'method':14}{'seconds':>9}{'cpu s':>8}{'peak MB':>9}{'ratio':>7}")
    gaps, base = {}, None
    with tempfile.TemporaryDirectory() as folder:
        for method in METHODS:
            runs = []
            for _ in range(repeats):
                out = Path(folder) / "gaps.pickle"
                command = [sys.executable, __file__, "--work", method, str(hectares), str(out)]
                done = subprocess.run(command, check=True, capture_output=True, text=True)
                runs.append(json.loads(done.stdout))
            gaps[method] = pickle.loads(out.read_bytes())
            wall, cpu, peak = (
                statistics.median(r[key] for r in runs) for key in ("wall", "cpu", "peak")
            )
            base = base or wall
            print(f"{method:14}{wall:9.2f}{cpu:8.2f}{peak:9.0f}{base / wall:7.2f}", flush=True)
    agreement(gaps["gridtools 1"], gaps["geopandas"])
    print("threads give the same bytes:", gaps["gridtools 1"] == gaps["gridtools 2"])


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
