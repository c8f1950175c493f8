"""The ground to be searched: outlines repaired, buffered, and put together.

All coordinates are metres in the job's metric CRS.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from gridtools.errors import InputError
from gridtools.layers import Exclusion, Interference, Lanes, SearchArea, Site
from gridtools.units import format_area

#: Largest share of a polygon's area that a repair may change.
REPAIR_LIMIT = 0.01
#: Parts smaller than this are left over from rounding in the overlay, not ground.
SLIVER_M2 = 1e-4
#: Sites outside these limits are searched as asked, with a notice (common practice, no source).
SMALL_SITE_M2 = 20.0
LARGE_SITE_M2 = 4_000_000.0
#: A lane that ends at no-go ground may touch it by rounding; beyond this it enters.
ENTERING_M = 0.01
#: Segments per quarter circle of a buffer; the outline stays within 0.13 % of the distance.
QUAD_SEGS = 16

Geometries = NDArray[np.object_]


@dataclass(frozen=True, kw_only=True, eq=False)
class Repaired:
    """Valid polygons, and where each came from.

    Attributes
    ----------
    geometry
        Valid two-dimensional polygons (m,), outer rings anticlockwise.
    row
        Position (m,) of the input row that each came from.
    notices
        What was changed, one sentence each.
    """

    geometry: Geometries
    row: NDArray[np.int64]
    notices: tuple[str, ...]


def repair_polygons(geometry: ArrayLike, what: str) -> Repaired:
    """Valid polygons from outlines as people draw them.

    Ring direction, repeated points, heights and multipolygons need no decision and are simply
    put right. Rings in the wrong order (a hole listed before its outline) are reordered. An
    outline that crosses itself, holes that overlap or leave their outline, and overlapping
    parts of one multipolygon are repaired if all readings agree: the area *as drawn* (by the
    shoelace formula: outlines less holes, each loop counted with its direction and as often
    as it is drawn) may differ from the area *after* (every spot inside an outline once, less
    the holes) by at most 1 %. A figure of eight with equal loops has no area as drawn, so it
    is refused.

    Parameters
    ----------
    geometry
        Polygons or multipolygons (n,), in metres.
    what
        What they are, for messages: ``"site"``, or ``"boundary.gpkg, layer fields"``.

    Raises
    ------
    InputError
        If there is nothing, a row is not a polygon or has no area, or a repair would change
        the area by more than 1 %.

    Examples
    --------
    >>> hole_first = shapely.Polygon([(1, 1), (2, 1), (2, 2)], [[(0, 0), (9, 0), (9, 9), (0, 9)]])
    >>> repaired = repair_polygons([hole_first], "site")
    >>> repaired.geometry[0].area, repaired.notices
    (80.5, ('site, row 1: rings put in order, the outline first.',))
    """
    rows = _as_array(geometry)
    if rows.size == 0:
        raise InputError(f"{what}: there are no polygons in it; give a layer with an outline")
    polygons: list[Any] = []
    origin: list[int] = []
    notices: list[str] = []
    for index, given in enumerate(rows):
        parts, notice = _repair_row(given, f"{what}, row {index + 1}")
        polygons.extend(parts)
        origin.extend([index] * len(parts))
        if notice:
            notices.append(f"{what}, row {index + 1}: {notice}.")
    return Repaired(
        geometry=_as_array(polygons), row=np.array(origin, dtype=np.int64), notices=tuple(notices)
    )


def _as_array(geometry: ArrayLike) -> Geometries:
    rows = np.empty(len(geometry), dtype=np.object_)  # type: ignore[arg-type]
    rows[:] = geometry
    return rows


def _repair_row(given: Any, where: str) -> tuple[list[Any], str]:
    if given is None or given.is_empty:
        raise InputError(f"{where}: there is no outline; draw it or delete the row")
    if given.geom_type not in ("Polygon", "MultiPolygon"):
        raise InputError(f"{where}: a {given.geom_type} where a polygon is needed")
    if not np.isfinite(shapely.get_coordinates(given)).all():
        raise InputError(f"{where}: a coordinate is not a number")
    done = []
    tidy = [_without_repeats(part) for part in shapely.get_parts(shapely.force_2d(given))]
    repeated = shapely.get_num_coordinates(given) - sum(shapely.get_num_coordinates(tidy))
    if repeated:
        done.append(f"{repeated} repeated {'point' if repeated == 1 else 'points'} dropped")
    parts = [_outline_first(part) for part in tidy if not part.is_empty]
    if not parts:
        raise InputError(f"{where}: the outline has no area; redraw it or delete the row")
    if any(moved for _, moved in parts):
        done.append("rings put in order, the outline first")
    polygons = [polygon for polygon, _ in parts]
    drawn = sum(_drawn_area(polygon) for polygon in polygons)
    whole = polygons[0] if len(polygons) == 1 else shapely.multipolygons(polygons)
    if not whole.is_valid:
        reason = shapely.is_valid_reason(whole).split("[")[0].strip().lower()
        whole = shapely.make_valid(whole, method="structure", keep_collapsed=False)
        change = f"area as drawn {format_area(drawn)}, after {format_area(whole.area)}"
        if whole.area > 0 and abs(whole.area - drawn) > REPAIR_LIMIT * whole.area:
            raise InputError(
                f"{where}: the outline cannot be repaired without changing its area by more "
                f"than {REPAIR_LIMIT:.0%} ({reason}; {change}): redraw it"
            )
        done.append(f"{reason} repaired ({change})")
    valid = [p for p in shapely.get_parts(whole) if p.geom_type == "Polygon" and p.area > 0]
    if not valid:
        raise InputError(f"{where}: the outline has no area; redraw it or delete the row")
    return list(shapely.orient_polygons(_as_array(valid))), ", ".join(done)


def _without_repeats(polygon: Any) -> Any:
    """Polygon without points that repeat the one before, and without rings of fewer than three."""
    rings = []
    for ring in shapely.get_rings(polygon):
        xy = shapely.get_coordinates(ring)
        xy = xy[np.append(True, (xy[1:] != xy[:-1]).any(axis=1))]
        rings.append(xy if len(xy) > 3 else None)
    if not rings or rings[0] is None:
        return shapely.Polygon()
    return shapely.Polygon(rings[0], [ring for ring in rings[1:] if ring is not None])


def _outline_first(polygon: Any) -> tuple[Any, bool]:
    """Polygon with its widest ring as the outline, and whether that was another one before."""
    rings = list(shapely.get_rings(polygon))
    area = [shapely.Polygon(ring).envelope.area for ring in rings]
    widest = int(np.argmax(area))
    if area[widest] <= area[0]:
        return polygon, False
    if not shapely.box(*rings[widest].bounds).covers(shapely.box(*rings[0].bounds)):
        return polygon, False
    return shapely.Polygon(rings.pop(widest), rings), True


def _drawn_area(polygon: Any) -> float:
    shell, *holes = [abs(shapely.Polygon(ring).area) for ring in shapely.get_rings(polygon)]
    return float(shell - sum(holes))


def buffered(geometry: ArrayLike, distance_m: ArrayLike, what: str) -> Repaired:
    """Polygons at a distance round geometries of any kind.

    For exclusions the distance is ``buffer_m``, for sources of interference ``standoff_m``.
    A polygon may have no distance (0 or NaN) and is then only repaired; a point or a line has
    no ground of its own and needs one.

    Parameters
    ----------
    geometry
        Points, lines or polygons (n,), single or multiple, in metres.
    distance_m
        Distance (n,) or one for all, in metres.
    what
        What they are, for messages.

    Raises
    ------
    InputError
        As `repair_polygons`; or if a distance is negative or infinite, or missing where needed.

    Examples
    --------
    >>> fence = shapely.LineString([(0, 0), (100, 0)])
    >>> zone = buffered([fence], 3.0, "interference")
    >>> round(zone.geometry[0].area, 1)
    628.2
    """
    rows = _as_array(geometry)
    distance = np.broadcast_to(np.asarray(distance_m, dtype=np.float64), rows.shape)
    distance = np.where(np.isnan(distance), 0.0, distance)
    polygons = _as_array(rows)
    for index, (given, reach) in enumerate(zip(rows, distance, strict=True)):
        where = f"{what}, row {index + 1}"
        if reach < 0 or np.isinf(reach):
            raise InputError(f"{where}: a distance of {reach:g} m cannot be kept; give 0 or more")
        if given is None or given.is_empty:
            raise InputError(f"{where}: there is nothing drawn; draw it or delete the row")
        if not np.isfinite(shapely.get_coordinates(given)).all():
            raise InputError(f"{where}: a coordinate is not a number")
        if shapely.get_dimensions(given) < 2:
            if reach == 0:
                raise InputError(
                    f"{where}: a {given.geom_type} takes up no ground; give the distance to keep"
                )
            polygons[index] = shapely.buffer(shapely.force_2d(given), reach, quad_segs=QUAD_SEGS)
    if rows.size == 0:
        return Repaired(geometry=rows, row=np.empty(0, dtype=np.int64), notices=())
    repaired = repair_polygons(polygons, what)
    areal = shapely.get_dimensions(rows) == 2
    reach = np.where(areal, distance, 0.0)[repaired.row]
    wide = shapely.buffer(repaired.geometry, reach, quad_segs=QUAD_SEGS)
    # A buffer of 0 rebuilds a polygon; those without a distance stay point for point as given.
    outlines = np.where(reach > 0, wide, repaired.geometry)
    return Repaired(geometry=outlines, row=repaired.row, notices=repaired.notices)


def no_go(site: Site, exclusion: Exclusion) -> Any:
    """Ground not to be walked: the exclusions, and the holes of the site.

    Returns
    -------
    geometry
        Polygon or multipolygon in metres, empty if all ground may be walked. Ground of the
        site that lies within one of its own holes is not part of it.
    """
    _check_sound(site, exclusion)
    whole = shapely.union_all(site.geometry)
    outlines = shapely.polygons(shapely.get_exterior_ring(shapely.get_parts(whole)))
    holes = shapely.difference(shapely.union_all(outlines), whole)
    return _polygons(shapely.union_all([*exclusion.geometry, holes]))


def search_area(site: Site, exclusion: Exclusion, interference: Interference) -> SearchArea:
    """Site minus exclusions; inside a standoff zone kept with reduced confidence.

    Returns
    -------
    SearchArea
        One row ``full`` and one ``reduced``, each only if it holds ground.

    Raises
    ------
    InputError
        If there is no site, an outline crosses itself, or nothing is left to search.

    Examples
    --------
    >>> site = Site.build(geometry=[shapely.box(0, 0, 100, 60)], name="field")
    >>> tank = Exclusion.build(geometry=[shapely.box(0, 0, 10, 10)], reason="tank", buffer_m=0.0)
    >>> area = search_area(site, tank, Interference.empty())
    >>> area.confidence.tolist(), area.area_m2.tolist()
    (['full'], [5900.0])
    """
    if len(site) == 0:
        raise InputError("layer site holds no polygon: give the boundary of the ground")
    _check_sound(site, exclusion, interference)
    ground = shapely.difference(
        shapely.union_all(site.geometry), shapely.union_all(exclusion.geometry)
    )
    zones = shapely.union_all(interference.geometry)
    shares = {
        "full": _polygons(shapely.difference(ground, zones)),
        "reduced": _polygons(shapely.intersection(ground, zones)),
    }
    kept = {name: share for name, share in shares.items() if not share.is_empty}
    if not kept:
        whole_m2 = float(shapely.union_all(site.geometry).area)
        if whole_m2 <= SLIVER_M2:
            raise InputError(
                f"the site takes up less than {SLIVER_M2 * 1e4:g} cm²: check its units and CRS "
                "(degrees may be stated as metres)"
            )
        raise InputError(
            f"nothing of the site's {format_area(whole_m2)} is left to search: the exclusions "
            "take it all up; check their outlines and buffers"
        )
    return SearchArea.build(
        geometry=[_multipolygon(share) for share in kept.values()],
        confidence=list(kept),
        area_m2=[share.area for share in kept.values()],
    )


def _check_sound(*layers: Site | Exclusion | Interference) -> None:
    """Refuse outlines that cross themselves: files are repaired on reading, drawings are not."""
    for layer in layers:
        bad = np.flatnonzero(~shapely.is_valid(layer.geometry))
        if bad.size:
            reason = shapely.is_valid_reason(layer.geometry[bad[0]]).lower()
            raise InputError(
                f"layer {layer.table}, row {bad[0] + 1}: {reason}; correct the outline in a GIS"
            )


def _polygons(geometry: Any) -> Any:
    """Areal parts of an overlay result, without slivers left by rounding."""
    parts = shapely.get_parts(geometry)
    parts = parts[(shapely.get_dimensions(parts) == 2) & (shapely.area(parts) > SLIVER_M2)]
    return parts[0] if parts.size == 1 else shapely.multipolygons(parts)


def _multipolygon(geometry: Any) -> Any:
    return shapely.multipolygons(shapely.get_parts(geometry))


def entering_notices(lanes: Lanes, no_go: Any) -> tuple[str, ...]:
    """Warning that names the lanes which enter ground not to be walked, as after a new exclusion.

    Examples
    --------
    >>> line = shapely.LineString([(0, 0), (50, 0)])
    >>> lanes = Lanes.build(geometry=[line], lane_id=["1-007"])
    >>> entering_notices(lanes, shapely.box(10, -5, 20, 5))
    ('Lanes enter ground not to be walked: 1-007. Do not walk them there; plan them again.',)
    """
    inside = shapely.length(shapely.intersection(lanes.geometry, no_go)) > ENTERING_M
    if not inside.any():
        return ()
    names = ", ".join(sorted(lanes.lane_id[inside]))
    return (
        f"Lanes enter ground not to be walked: {names}. Do not walk them there; plan them again.",
    )


def area_notices(
    site: Site, exclusion: Exclusion, interference: Interference, area: SearchArea
) -> tuple[str, ...]:
    """What a person should look at again before going out, one sentence each.

    Examples
    --------
    >>> site = Site.build(geometry=[shapely.box(0, 0, 4, 4)], name="field")
    >>> area = search_area(site, Exclusion.empty(), Interference.empty())
    >>> area_notices(site, Exclusion.empty(), Interference.empty(), area)
    ('The site is only 16.0 m²: check its units and CRS.',)
    """
    whole = shapely.union_all(site.geometry)
    notices = []
    if whole.area < SMALL_SITE_M2:
        notices.append(f"The site is only {format_area(whole.area)}: check its units and CRS.")
    if whole.area > LARGE_SITE_M2:
        notices.append(
            f"The site is {format_area(whole.area)}, which is much to walk: "
            "check its units and CRS, or split it into jobs."
        )
    overlap = float(shapely.area(site.geometry).sum() - whole.area)
    if overlap > SLIVER_M2:
        notices.append(f"Parts of the site overlap by {format_area(overlap)}, counted once.")
    for layer, kind in ((exclusion, "Exclusion"), (interference, "Interference zone")):
        outside = np.flatnonzero(~shapely.intersects(layer.geometry, whole))
        notices.extend(f"{kind} {i + 1} lies outside the site." for i in outside)
    reduced = float(area.area_m2[area.confidence == "reduced"].sum())
    if reduced:
        share = reduced / float(area.area_m2.sum())
        notices.append(
            f"Confidence is reduced on {format_area(reduced)} ({share:.0%} of the search area), "
            "inside standoff zones."
        )
    return tuple(notices)
