import numpy as np
import pytest
import shapely

from gridtools.layers import Interference
from gridtools.targets.nearby import (
    METALWORK,
    OVERHEAD,
    OVERHEAD_M,
    SERVICE,
    TOLERANCE_M,
    group_of,
    sources_near,
)
from gridtools.units import parse_length


def line(kind, x, standoff=2.0):
    """A source along north at some easting, with its standoff zone."""
    zone = shapely.LineString([(x, -100), (x, 100)]).buffer(standoff)
    return Interference.build(geometry=[zone], kind=[kind], standoff_m=standoff)


HOLE = np.array([shapely.box(-1, -1, 1, 1)], dtype=object)


def test_tolerance__in_inches_and_metres():
    """18 to 24 in by state in US one-call practice (read): the wider is the default."""
    assert parse_length("24in") == pytest.approx(TOLERANCE_M) == pytest.approx(0.61, abs=0.005)


def test_overhead__ten_feet():
    """29 CFR 1926.1408, up to 50 kV (from memory)."""
    assert parse_length("10ft") == OVERHEAD_M


@pytest.mark.parametrize(
    ("kind", "group"),
    [
        ("water main", SERVICE),
        ("Gas Pipe", SERVICE),
        ("cable", SERVICE),
        ("", SERVICE),
        ("overhead cable", OVERHEAD),
        ("power line", OVERHEAD),
        ("underground power line", SERVICE),
        ("buried overhead cable", SERVICE),
        *(
            (kind, SERVICE)
            for kind in (
                "HV line",
                "LV",
                "fuel line",
                "sewage",
                "manhole",
                "septic tank",
                "gully",
                "steam",
                "chamber",
                "hydrant",
                "something else",
                "postal cable",
                "fence over a manhole",
            )
        ),
        *((kind, METALWORK) for kind in ("wire fence", "Gate", "scrap heap", "shed roof")),
        ("fence", METALWORK),
        ("parked plant", METALWORK),
    ],
)
def test_group_of(kind, group):
    assert group_of(kind) == group


def test_sources_near__distance_is_from_the_source_not_from_its_zone():
    (near,) = sources_near(line("gas pipe", 1.5, standoff=3.0), HOLE)
    assert [(n.kind, n.group) for n in near] == [("gas pipe", SERVICE)]
    assert near[0].distance_m == pytest.approx(0.5, abs=0.01)


def test_sources_near__outside_the_tolerance_zone_is_not_near():
    located = "gas pipe, quality level B"
    assert sources_near(line(located, 1.7), HOLE) == [[]]
    (near,) = sources_near(line(located, 1.7), HOLE, tolerance_m=0.75)
    assert len(near) == 1


def test_sources_near__a_line_from_records_may_lie_a_metre_off():
    """1 m: common practice, no source."""
    for kind, x, count in [("gas pipe", 2.5, 1), ("gas pipe QL-D", 2.5, 1), ("gas pipe", 2.7, 0),
                           ("gas pipe QL-A", 2.5, 0)]:  # fmt: skip
        assert len(sources_near(line(kind, x), HOLE)[0]) == count


def test_sources_near__a_hole_on_the_service():
    (near,) = sources_near(line("cable", 0.3), HOLE)
    assert near[0].distance_m == 0.0


def test_sources_near__metalwork_within_its_standoff_and_nearest_first():
    both = Interference.concat([line("fence", 2.5), line("water pipe", 1.2), line("fence", 4.0)])
    (near,) = sources_near(both, HOLE)
    assert [n.kind for n in near] == ["water pipe", "fence"]


def test_sources_near__a_zone_without_standoff_is_the_source():
    zone = Interference.build(
        geometry=[shapely.box(1.2, -5, 3, 5)], kind=["duct"], standoff_m=[np.nan]
    )
    assert sources_near(zone, HOLE)[0][0].distance_m == pytest.approx(0.2)
