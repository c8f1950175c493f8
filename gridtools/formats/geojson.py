"""GeoJSON as RFC 7946 has it: longitude and latitude on WGS 84, right-hand rule."""

import json
from collections.abc import Sequence

import shapely
from pyproj import CRS

from gridtools.columns import Layer
from gridtools.formats.features import lonlat_geometry, plain_columns

#: Member by which our files are known again.
OWN_MARK = b'"generator": "gridtools"'


def write_geojson(layers: Sequence[Layer], crs: CRS, *, title: str = "") -> bytes:
    """Layers as one feature collection, a feature on each line.

    Parameters
    ----------
    layers
        Layers with geometry, in the metric CRS; each feature says in ``layer`` which it is of.
    crs
        The metric CRS.
    title
        Name of the whole.

    Examples
    --------
    >>> from gridtools.layers import Pegs
    >>> pegs = Pegs.build(geometry=[shapely.Point(500_000, 5_600_000)], peg_id=["P001"])
    >>> json.loads(write_geojson([pegs], CRS(32632)))["features"][0]["properties"]["peg_id"]
    'P001'
    """
    features = []
    for layer in layers:
        columns = {"layer": [layer.table] * len(layer), **plain_columns(layer)}
        shapes = shapely.to_geojson(lonlat_geometry(layer, crs)).tolist()
        for shape, values in zip(shapes, zip(*columns.values(), strict=True), strict=True):
            properties = json.dumps(dict(zip(columns, values, strict=True)), ensure_ascii=False)
            features.append(
                f'{{"type": "Feature", "properties": {properties}, "geometry": {shape}}}'
            )
    head = f'{{"type": "FeatureCollection", {OWN_MARK.decode()}, "name": {json.dumps(title)}, '
    return (head + '"features": [\n' + ",\n".join(features) + "\n]}\n").encode()
