import numpy as np
import pytest
import shapely

from gridtools.layers import Hits, Lanes, Runs
from gridtools.targets.crossings import build_crossings
from gridtools.targets.lines import find_lines


def walked(responds):
    """Twenty runs 2 m apart across an oblique line; `responds` says which rows give a hit."""
    x = np.arange(20) * 2.0
    up = np.arange(20) % 2 == 0
    ends = np.stack([np.stack([x, 0 * x], 1), np.stack([x, 0 * x + 40], 1)], axis=1)
    ends[~up] = ends[~up, ::-1]
    runs = Runs.build(
        20, geometry=shapely.linestrings(ends), run_id=[f"S001-{i + 1:04d}" for i in range(20)],
        heading_deg=np.where(up, 0.0, 180.0), accepted=True,
    )  # fmt: skip
    rows = np.flatnonzero([responds(i, bool(up[i])) for i in range(20)])
    hits = Hits.build(
        len(rows), geometry=shapely.points(x[rows], 10 + 0.5 * x[rows]),
        hit_id=[f"H{i + 1:04d}" for i in range(len(rows))], run_id=runs.run_id[rows],
        heading_deg=runs.heading_deg[rows],
    )  # fmt: skip
    return build_crossings(runs, hits, Lanes.empty(), sigma_m=0.6)


def found(crossings, *, long_object):
    count = len(crossings.hits)
    return find_lines(
        crossings, np.ones(count, dtype=bool), np.full(count, 0.003), window_m=10.0,
        long_object=long_object,
    )  # fmt: skip


def test_find_lines__edge_from_one_sense():
    lines = found(walked(lambda _, up: up), long_object=False)
    assert [len(line.hits) for line in lines] == [10]
    slope = lines[0].finish - lines[0].start
    assert abs(slope[1] / slope[0]) == pytest.approx(0.5, abs=1e-6)
    assert lines[0].normal[1] > 0
    assert lines[0].length_m == pytest.approx(36 * np.sqrt(1.25), abs=1e-6)
    assert found(walked(lambda _, up: up), long_object=True) == []


def test_find_lines__long_object_from_both_senses():
    lines = found(walked(lambda *_: True), long_object=True)
    assert [len(line.hits) for line in lines] == [20]
    assert lines[0].log_evidence > lines[0].log_evidence_edge


def test_find_lines__ends_where_the_hits_end():
    """Silent crossings beyond the last hit stop the line."""
    lines = found(walked(lambda i, up: up and 4 <= i <= 14), long_object=False)
    assert [len(line.hits) for line in lines] == [6]
    assert lines[0].length_m == pytest.approx(20 * np.sqrt(1.25), abs=1e-6)


def test_find_lines__two_hits_are_no_line():
    assert found(walked(lambda i, _: i in (4, 6)), long_object=False) == []
