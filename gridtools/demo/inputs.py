"""The inputs of the demo, as files: what a surveyor, a GPS unit and a tape team would bring.

They are made, never drawn by hand: the walk follows the lanes as gridtools plans them for the
demo's own options, so that the same version gives the same bytes.
"""

import json
from collections.abc import Sequence
from datetime import timedelta
from functools import cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from gridtools.demo import scenario
from gridtools.demo.approaches import approaches_csv
from gridtools.demo.responses import respond
from gridtools.demo.trials import trials_csv
from gridtools.demo.walk import Walk, walk
from gridtools.geodesy import WGS84, transform_geometry, transform_xy
from gridtools.layers import Exclusion, Interference, Lanes, Site
from gridtools.plan.area import buffered, no_go, search_area
from gridtools.plan.lanes import plan_lanes

#: Decimals of longitude and latitude: a surveyor's outline to 0.1 mm, a GPS unit's log to 1 cm.
SURVEY_DECIMALS = 9
LOG_DECIMALS = 7
_CRS = CRS(scenario.JOB_CRS)
_INVENTED = "invented for the demo of gridtools"


def files() -> dict[str, bytes]:
    """Every input of the demo, by file name."""
    return {
        "boundary.geojson": _geojson([scenario.BOUNDARY], "Polygon", [{"name": scenario.NAME}]),
        "exclusions.geojson": _geojson(
            [g.outline for g in scenario.EXCLUSIONS],
            "Polygon",
            [{"reason": g.name, "buffer_m": g.distance_m} for g in scenario.EXCLUSIONS],
        ),
        "interference.geojson": _geojson(
            [g.outline for g in scenario.INTERFERENCE],
            "LineString",
            [{"kind": g.name, "standoff_m": g.distance_m} for g in scenario.INTERFERENCE],
        ),
        "control.geojson": _control(),
        "trials.csv": trials_csv(),
        "pass-1.gpx": _gpx(walked(scenario.PASS_1), scenario.PASS_1),
        "pass-2.gpx": _gpx(walked(scenario.PASS_2), scenario.PASS_2),
        "walked-lanes.txt": _walked_note(),
        "approaches.csv": approaches_csv(),
        "outcomes.csv": _outcomes(),
    }


@cache
def planned() -> Lanes:
    """Lanes of both passes, as the demo's own command plans them."""
    site, exclusion, interference = ground()
    return plan_lanes(
        search_area(site, exclusion, interference),
        no_go(site, exclusion),
        spacing_m=scenario.SPACING_M,
        sweep_width_m=scenario.SWEEP_WIDTH_M,
        bearing_deg=None,
        crs=_CRS,
        on=scenario.PASS_1.start_utc.date(),
    ).lanes


def ground() -> tuple[Site, Exclusion, Interference]:
    """Site, exclusions and interference as a job holds them, in the job CRS."""
    boundary = _as_read([scenario.BOUNDARY], "Polygon")
    keep_off = [g.distance_m for g in scenario.EXCLUSIONS]
    standoff = [g.distance_m for g in scenario.INTERFERENCE]
    shut = buffered(
        _as_read([g.outline for g in scenario.EXCLUSIONS], "Polygon"), keep_off, "exclusion"
    )
    zones = buffered(
        _as_read([g.outline for g in scenario.INTERFERENCE], "LineString"),
        standoff,
        "interference",
    )
    return (
        Site.build(geometry=boundary, name=scenario.NAME),
        Exclusion.build(
            geometry=shut.geometry,
            reason=[g.name for g in scenario.EXCLUSIONS],
            buffer_m=keep_off,
        ),
        Interference.build(
            geometry=zones.geometry,
            kind=[g.name for g in scenario.INTERFERENCE],
            standoff_m=standoff,
        ),
    )


@cache
def walked(outing: scenario.Outing) -> Walk:
    """One outing as its GPS unit logged it."""
    site, exclusion, _ = ground()
    return walk(planned(), outing, no_go(site, exclusion))


def _lonlat(local: scenario.Line) -> NDArray[np.float64]:
    return np.round(transform_xy(scenario.to_map(local), _CRS, WGS84), SURVEY_DECIMALS)


def _as_read(lines: Sequence[scenario.Line], kind: str) -> NDArray[np.object_]:
    """Geometries in the job CRS as a reader of the written file gets them."""
    make: Any = shapely.Polygon if kind == "Polygon" else shapely.LineString
    shapes = np.array([make(_lonlat(line)) for line in lines], dtype=object)
    return transform_geometry(shapes, WGS84, _CRS)


def _geojson(lines: Sequence[scenario.Line], kind: str, rows: list[dict[str, Any]]) -> bytes:
    features = []
    for line, row in zip(lines, rows, strict=True):
        closed = (*line, line[0]) if kind == "Polygon" else line
        points: Any = _lonlat(closed).tolist()
        if kind == "Polygon":
            points = [points]
        if kind == "Point":
            points = points[0]
        features.append(
            {
                "type": "Feature",
                "properties": {**row, "remark": _INVENTED},
                "geometry": {"type": kind, "coordinates": points},
            }
        )
    collection = {"type": "FeatureCollection", "features": features}
    return (json.dumps(collection, indent=1) + "\n").encode()


def _control() -> bytes:
    rows = [
        {
            "name": name,
            "local_e_m": east,
            "local_n_m": north,
            "height_m": height,
            "accuracy_m": scenario.CONTROL_ACCURACY_M,
            "source": "levelled and fixed by GNSS",
        }
        for name, east, north, height, _, _ in scenario.CONTROL
    ]
    lines = [((east + de, north + dn),) for _, east, north, _, de, dn in scenario.CONTROL]
    return _geojson(lines, "Point", rows)


@cache
def _gpx(walked: Walk, outing: scenario.Outing) -> bytes:
    """GPX 1.1 as a GPS unit writes it: waypoints first, then one track."""
    lonlat = transform_xy(walked.xy, _CRS, WGS84)
    places = [f'lat="{lat:.{LOG_DECIMALS}f}" lon="{lon:.{LOG_DECIMALS}f}"' for lon, lat in lonlat]
    times = [
        (outing.start_utc + timedelta(seconds=s)).strftime("%Y-%m-%dT%H:%M:%SZ")
        for s in walked.seconds.tolist()
    ]
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.1" creator="demo" xmlns="http://www.topografix.com/GPX/1/1">',
        f"<metadata><name>{scenario.NAME}, pass {outing.pass_no}</name>"
        f"<desc>{_INVENTED}</desc></metadata>",
    ]
    for number, (at, strength) in enumerate(
        zip(walked.hit.tolist(), walked.strength.tolist(), strict=True), start=1
    ):
        lines.append(
            f"<wpt {places[at]}><time>{times[at]}</time><name>{number:03d}</name>"
            f"<cmt>strength {strength}</cmt></wpt>"
        )
    lines.append(f"<trk><name>pass {outing.pass_no}</name><trkseg>")
    lines += [
        f"<trkpt {place}><time>{time}</time></trkpt>"
        for place, time in zip(places, times, strict=True)
    ]
    lines += ["</trkseg></trk>", "</gpx>", ""]
    return "\n".join(lines).encode()


def _walked_note() -> bytes:
    """Note of the lane walked afterwards with pegs and tape, its hits by chainage."""
    lanes = planned()
    missed = scenario.PASS_1.missed_lane
    lane = lanes.take(lanes.lane_id == missed)
    heard = respond(lane, np.zeros(len(lane)), scenario.TAPE_SEED)
    lines = [
        f"# {scenario.NAME}: the lane that pass 1 missed",
        scenario.TAPE_DAY.date().isoformat(),
        f"{scenario.TAPE_DAY:%H:%M} {missed}",
    ]
    lines += [
        f"hit {missed} at {at:.1f} m, strength {strength}"
        for at, strength in zip(heard.chainage_m, heard.strength.tolist(), strict=True)
    ]
    return "\n".join([*lines, ""]).encode()


def _outcomes() -> bytes:
    """What came out of the ground, one piece after the other, each surveyed where it lay."""
    lines = [
        f"# {scenario.NAME}: {_INVENTED}",
        "found,metal,lon,lat,depth_m,length_m,width_m,height_m,material,recheck,time",
    ]
    for hours, metal in enumerate(scenario.METAL):
        lon, lat = _lonlat((metal.centre,))[0].tolist()
        *size, material = scenario.SIZES[metal.name]
        time = scenario.DIG_DAY + timedelta(hours=2 * hours)
        cells = (metal.name, "yes", f"{lon:.8f}", f"{lat:.8f}", metal.depth_m, *size, material)
        lines.append(",".join(map(str, (*cells, "quiet", f"{time:%Y-%m-%dT%H:%M:%SZ}"))))
    return "\n".join([*lines, ""]).encode()
