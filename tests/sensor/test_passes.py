from collections import Counter
from itertools import pairwise

from gridtools.sensor.passes import SHARES_OF_R, planned_passes


def test_passes__every_distance_on_both_sides_and_both_headings():
    passes = list(planned_passes())
    assert len(passes) == 40
    assert Counter((p.share, p.heading) for p in passes) == Counter(
        (side * share, heading) for share in SHARES_OF_R for side in (-1, 1) for heading in "AB"
    )


def test_passes__to_and_fro_in_an_order_that_does_not_creep_outwards():
    passes = list(planned_passes())
    assert [p.heading for p in passes] == ["A", "B"] * 20
    steps = [abs(b.share) > abs(a.share) for a, b in pairwise(passes)]
    assert 10 < sum(steps) < 30
