"""Invented surveys for the coverage tests: sites with holes, lanes, and walks along them."""

from datetime import date

import numpy as np
import pytest
import shapely
from pyproj import CRS

from gridtools.coverage.measure import measure_coverage
from gridtools.layers import Infill, Lanes, Runs, SearchArea
from gridtools.units import bearing_of, unit_vector

# Transverse Mercator in metres; the surveys lie about its false origin.
CRS_M = CRS(32631)
ON = date(2026, 3, 1)


class Surveys:
    """Builders that the tests share."""

    @staticmethod
    def area(full, reduced=None):
        """Search area of one or two confidences."""
        parts = [(full, "full"), *([(reduced, "reduced")] if reduced is not None else [])]
        geometry = [shapely.MultiPolygon(list(shapely.get_parts(g))) for g, _ in parts]
        return SearchArea.build(
            geometry=geometry,
            confidence=[confidence for _, confidence in parts],
            area_m2=shapely.area(geometry),
        )

    @staticmethod
    def lanes(pass_no, ends):
        """Lanes from ends (n, 2, 2), numbered and walked in that order."""
        ends = np.asarray(ends, dtype=float)
        lines = shapely.linestrings(ends)
        step = ends[:, 1] - ends[:, 0]
        return Lanes.build(
            geometry=lines,
            lane_id=[f"{pass_no}-{i + 1:03d}" for i in range(len(ends))],
            pass_no=pass_no,
            seq=np.arange(1, len(ends) + 1),
            length_m=shapely.length(lines),
            bearing_deg=bearing_of(step[:, 0], step[:, 1]),
        )

    @staticmethod
    def runs(lanes, lines=None, accepted=True, reason=""):
        """One run for each lane, on the lane itself unless lines are given."""
        lines = lanes.geometry if lines is None else lines
        return Runs.build(
            len(lanes),
            geometry=list(lines),
            run_id=[f"S001-{i + 1:04d}" for i in range(len(lanes))],
            session_id="S001",
            lane_id=lanes.lane_id,
            pass_no=lanes.pass_no,
            heading_deg=lanes.bearing_deg,
            length_m=shapely.length(lines),
            accepted=accepted,
            reason=reason,
        )

    @staticmethod
    def north_lanes(xs, low=-2.0, high=52.0, pass_no=1):
        """Lanes due north and south in turn, at eastings xs."""
        ends = [[[x, low], [x, high]][:: 1 if i % 2 == 0 else -1] for i, x in enumerate(xs)]
        return Surveys.lanes(pass_no, ends)

    @staticmethod
    def site(rng, size_m=70.0):
        """Irregular site with holes."""
        angle = np.sort(rng.uniform(0, 2 * np.pi, 14))
        radius = rng.uniform(0.6, 1.0, 14) * size_m / 2
        xy = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)
        holes = shapely.buffer(
            shapely.points(rng.uniform(-0.3, 0.3, (3, 2)) * size_m), size_m / 18, quad_segs=4
        )
        ground = shapely.difference(shapely.Polygon(xy).buffer(0), shapely.union_all(holes))
        return max(shapely.get_parts(ground), key=lambda part: part.area)

    @staticmethod
    def crossed_lanes(ground, bearing_deg, spacing_m):
        """Both passes over a site, legs split where it has holes."""
        found = []
        for pass_no in (1, 2):
            along = unit_vector(bearing_deg + 90.0 * (pass_no - 1))
            across = np.array([along[1], -along[0]])
            xy = shapely.get_coordinates(ground)
            v = np.arange((xy @ across).min() + spacing_m / 2, (xy @ across).max(), spacing_m)
            u = np.array([(xy @ along).min(), (xy @ along).max()])
            lines = shapely.linestrings(v[:, None, None] * across + u[None, :, None] * along)
            legs = shapely.get_parts(shapely.intersection(lines, ground))
            legs = legs[shapely.length(legs) > 0.5]
            ends = shapely.get_coordinates(legs).reshape(-1, 2, 2)
            ends[1::2] = ends[1::2, ::-1]
            found.append(Surveys.lanes(pass_no, ends))
        return Lanes.concat(found)

    @staticmethod
    def wander(rng, lanes, sigma_m=0.3, step_m=1.3):
        """Tracks along lanes that stray smoothly to both sides."""
        tracks = []
        for line in lanes.geometry:
            count = max(3, int(line.length / step_m))
            xy = shapely.get_coordinates(
                shapely.line_interpolate_point(line, np.linspace(0, 1, count), normalized=True)
            )
            noise = np.convolve(rng.normal(size=count + 8), np.full(9, 1 / 3), mode="valid")
            way = (xy[-1] - xy[0]) / np.hypot(*(xy[-1] - xy[0]))
            tracks.append(shapely.LineString(xy + sigma_m * noise[:, None] * [-way[1], way[0]]))
        return np.array(tracks, dtype=object)

    @staticmethod
    def measure(area, runs, lanes, sweep_width_m, **options):
        """Coverage with the settings that most tests share."""
        settings = {"passes": 1, "infill": Infill.empty(), "crs": CRS_M, "on": ON, **options}
        return measure_coverage(area, runs, lanes, sweep_width_m=sweep_width_m, **settings)


@pytest.fixture(scope="session")
def surveys():
    return Surveys
