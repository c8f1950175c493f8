"""Random ground for the tests of planning, far from the origin as real sites are."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import pytest
import shapely
from pyproj import CRS

from gridtools.layers import Exclusion, Interference, SearchArea, Site
from gridtools.plan.area import no_go, search_area
from gridtools.plan.lanes import Plan, plan_lanes

CENTRE = np.array([512_345.25, 5_012_345.5])


@dataclass(frozen=True)
class Field:
    """A site with its holes and exclusions, as layers."""

    site: Site
    exclusion: Exclusion

    @classmethod
    def of(cls, outlines, blocks=()):
        """Field from shapely polygons near the origin, moved to where sites are."""
        moved = [
            list(shapely.transform(np.array(list(shapes), dtype=object), lambda xy: xy + CENTRE))
            for shapes in (outlines, blocks)
        ]
        exclusion = Exclusion.build(len(moved[1]), geometry=moved[1], reason="bog", buffer_m=0.0)
        return cls(Site.build(geometry=moved[0], name="field"), exclusion)

    @property
    def area(self) -> SearchArea:
        return search_area(self.site, self.exclusion, Interference.empty())

    @property
    def ground(self):
        return shapely.union_all(self.area.geometry)

    @property
    def no_go(self):
        return no_go(self.site, self.exclusion)

    def plan(self, spacing_m: float, bearing_deg: float | None, **options) -> Plan:
        return plan_lanes(
            self.area,
            self.no_go,
            spacing_m=spacing_m,
            sweep_width_m=options.pop("sweep_width_m", spacing_m),
            bearing_deg=bearing_deg,
            crs=CRS(32633),
            on=date(2025, 6, 1),
            **options,
        )


def star(rng, centre, radius_m, corners, rough):
    """Polygon whose corners lie in random directions and distances about a centre."""
    angle = (np.arange(corners) + rng.uniform(0.0, 0.9, corners)) * 2 * np.pi / corners
    reach = radius_m * (1 - rough * rng.uniform(0, 1, corners))
    return shapely.Polygon(centre + np.c_[np.cos(angle), np.sin(angle)] * reach[:, None])


def _random_field(seed, *, radius_m=60.0, holes=2, exclusions=3, corners=24, rough=0.7):
    rng = np.random.default_rng(seed)
    rough = rng.uniform(0.0, rough)
    outline = star(rng, np.zeros(2), radius_m, rng.integers(4, corners + 1), rough)
    inner = radius_m * (1 - rough) * 0.6
    for _ in range(rng.integers(0, holes + 1)):
        hole = star(rng, rng.uniform(-inner, inner, 2) / 2, inner / 3, 7, 0.4)
        outline = shapely.difference(outline, hole)
    outline = max(shapely.get_parts(outline), key=shapely.area)
    blocks = [
        star(rng, rng.uniform(-radius_m, radius_m, 2) * 0.8, radius_m / 6, 6, 0.6)
        for _ in range(rng.integers(0, exclusions + 1))
    ]
    return Field.of([outline], blocks)


@pytest.fixture(scope="session")
def random_field():
    """Maker of fields from a seed."""
    return _random_field


@pytest.fixture(scope="session")
def make_field():
    """Maker of fields from outlines near the origin."""
    return Field.of


@pytest.fixture(scope="session")
def farm():
    """A rectangle of 100 m by 60 m with a pond in the middle."""
    return Field.of([shapely.box(0, 0, 100, 60)], [shapely.box(40, 20, 60, 40)])


@pytest.fixture(scope="session")
def local_ends():
    """Maker of the coordinates (n, 2, 2) of starts and finishes, about the middle of things."""

    def ends(lanes):
        return shapely.get_coordinates(lanes.geometry).reshape(-1, 2, 2) - CENTRE

    return ends
