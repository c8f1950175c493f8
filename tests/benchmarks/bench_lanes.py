"""Lanes over 10,000 ha by scanline, against a loop of shapely intersections.

Run it as a script: ``python tests/benchmarks/bench_lanes.py``. It prints CPU seconds, the ratio
and the largest difference between the two, and asserts only that they agree.
"""

import time

import numpy as np
import shapely

from gridtools.plan.strips import Frame, Outline, Rows, beside, chords

SPACING_M = 5.0
BEARING_DEG = 33.0


def big_site(seed: int = 1) -> shapely.Polygon:
    """About 10,000 ha with 36,600 vertices and some 180 holes."""
    rng = np.random.default_rng(seed)
    angle = np.linspace(0, 2 * np.pi, 27_600, endpoint=False)
    waves = sum(
        rng.normal(0, 0.12 / k) * np.sin(k * angle + rng.uniform(0, 6)) for k in range(2, 40)
    )
    reach = 5_650 * (1 + waves)
    outline = shapely.Polygon(np.c_[reach * np.cos(angle), reach * np.sin(angle)])
    middles = rng.uniform(-5_000, 5_000, (1_000, 2))
    sizes = rng.uniform(20, 120, 1_000)
    holes: list[shapely.Polygon] = []
    for middle, size in zip(middles, sizes, strict=True):
        hole = shapely.Point(middle).buffer(size, quad_segs=12)
        inside = shapely.contains_properly(outline, shapely.buffer(hole, 5.0))
        if inside and not shapely.dwithin(holes, hole, 5.0).any():
            holes.append(hole)
        if len(holes) == 187:
            break
    return shapely.Polygon(outline.exterior, [h.exterior for h in holes])


def timed(work, repeats=1):
    """Result, and the least CPU seconds of several runs."""
    seconds = []
    for _ in range(repeats):
        start = time.process_time()
        result = work()
        seconds.append(time.process_time() - start)
    return result, min(seconds)


def main() -> None:
    site = big_site()
    frame = Frame.at(np.zeros(2), BEARING_DEG)
    outline, taking = timed(lambda: Outline.of(site, frame), 5)
    rows = Rows.over(outline, SPACING_M)
    fast, scanning = timed(lambda: chords(outline, rows, closed=True), 20)
    strips, reaching = timed(lambda: beside(outline, rows), 5)
    local = shapely.transform(site, lambda xy: np.stack(frame.to_frame(xy), axis=1))
    low, high = local.bounds[1] - 1, local.bounds[3] + 1

    def loop():
        across = rows.across(np.arange(rows.count))
        return [
            shapely.get_parts(shapely.LineString([(x, low), (x, high)]).intersection(local))
            for x in across
        ]

    slow, looping = timed(loop)
    line = np.repeat(np.arange(rows.count), [len(parts) for parts in slow])
    bounds = shapely.bounds(np.concatenate(slow))
    keep = bounds[:, 3] - bounds[:, 1] > 1e-6
    order = np.lexsort((bounds[keep, 1], line[keep]))
    assert np.array_equal(line[keep][order], fast.line)
    apart = np.abs(np.c_[fast.low, fast.high] - bounds[keep][order][:, [1, 3]]).max()
    assert apart < 1e-6
    print(
        f"{site.area / 1e4:,.0f} ha, {shapely.get_num_coordinates(site):,} vertices, "
        f"{len(site.interiors)} holes; {rows.count:,} lanes, {len(fast):,} chords, "
        f"{len(strips):,} strip stretches"
    )
    print(
        f"edges {1e3 * taking:.1f} ms, chords {1e3 * scanning:.1f} ms, "
        f"strips {1e3 * reaching:.1f} ms"
    )
    print(
        f"loop of intersections {1e3 * looping:.0f} ms: {looping / scanning:.0f} times the chords, "
        f"{looping / (scanning + taking):.0f} times edges and chords; "
        f"largest difference {apart:.1e} m"
    )


if __name__ == "__main__":
    main()
