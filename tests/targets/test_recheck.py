from datetime import date

import numpy as np
import pytest
import shapely
from pyproj import CRS

from gridtools.coverage.infill import to_walk
from gridtools.layers import Lanes, Recheck, Runs
from gridtools.targets.recheck import Question, information, lay_recheck


def asked(chances=(0.5, 0.4, 0.1), toward_deg=0.0):
    bearing = np.arange(48) * 7.5
    weight = np.exp(6 * np.cos(np.radians(bearing - toward_deg)))
    return Question(
        candidate_id="C001", xy=np.zeros(2), chances=chances, p_response=0.9, p_drift=0.01,
        edge_heading_deg=bearing, edge_weight=weight / weight.sum(), walked_deg=np.array([0.0]),
    )  # fmt: skip


def test_information__most_against_the_sense_of_the_edge():
    """The opposite heading decides metal or ground (common practice, no source)."""
    north, south = information(asked(), 0.0), information(asked(), 180.0)
    assert 0 <= north < south <= np.log(2)


def test_information__none_where_nothing_is_open():
    for chances in ((1.0, 0.0, 0.0), (0.0, 0.5, 0.5)):
        assert information(asked(chances), 180.0) == pytest.approx(0.0, abs=1e-9)


def test_information__is_the_mutual_information_by_enumeration():
    question = asked((0.3, 0.0, 0.7))
    joint = np.array([[0.3 * 0.9, 0.3 * 0.1], [0.7 * 0.01, 0.7 * 0.99]])
    apart = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0, keepdims=True)
    assert information(question, 45.0) == pytest.approx(np.sum(joint * np.log(joint / apart)))


def test_lay_recheck__a_lane_that_serves_no_longer_is_closed_and_keeps_its_id():
    """Its walk may still come back from a GPS unit; asked again, the same lane is open again."""
    line = shapely.LineString([(0, -8), (0, 8)])
    issued = Recheck.build(
        geometry=[line], lane_id=["r001"], candidate_id="C001", bearing_deg=0.0, length_m=16.0,
        reason="heading N not walked",
    )  # fmt: skip
    laid = lay_recheck(
        [], headings_deg=[0.0, 90.0], sweep_width_m=4.0, runs=Runs.empty(), lanes=Lanes.empty(),
        previous=issued, no_go=None, crs=CRS.from_epsg(32630), on=date(2026, 5, 1),
    )  # fmt: skip
    assert laid.lane_id.tolist() == ["r001"]
    assert laid.reason.tolist() == ["closed"]
    assert len(to_walk(laid)) == 0
