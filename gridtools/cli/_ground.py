"""Reading the ground of a job from vector files; shared by ``new`` and ``area``."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import click

from gridtools.cli.options import LENGTH

if TYPE_CHECKING:
    import numpy as np
    import pyproj

    from gridtools.formats.vector import Vector
    from gridtools.layers import Control, Exclusion, Interference, SearchArea, Site

F = TypeVar("F", bound=Callable[..., Any])


def ground_options(function: F) -> F:
    """Options that name the files of exclusions, interference and control points."""
    for option in reversed(
        (
            click.option(
                "--exclusion",
                "exclusions",
                metavar="FILE",
                multiple=True,
                help="Ground not to be walked: polygons, or lines and points with a buffer. "
                "Columns reason and buffer_m are used.",
            ),
            click.option(
                "--buffer",
                "buffer_m",
                type=LENGTH,
                default=0.0,
                show_default="0",
                help="Distance to keep from exclusions that state none in buffer_m.",
            ),
            click.option(
                "--interference",
                "interferences",
                metavar="FILE",
                multiple=True,
                help="Known sources of false response, of any geometry. Columns kind and "
                "standoff_m are used.",
            ),
            click.option(
                "--standoff",
                "standoff_m",
                type=LENGTH,
                help="Standoff of sources of interference that state none in standoff_m.",
            ),
            click.option(
                "--control",
                "controls",
                metavar="FILE",
                multiple=True,
                help="Known points. Columns name, local_e_m, local_n_m, height_m, accuracy_m and "
                "source are used.",
            ),
        )
    ):
        function = option(function)
    return function


@dataclass(frozen=True, kw_only=True, eq=False)
class Ground:
    """What the files named on the command line hold, in metres of the job."""

    exclusion: "Exclusion"
    interference: "Interference"
    control: "Control"
    notices: tuple[str, ...]


def read_ground(
    exclusions: Iterable[str],
    buffer_m: float,
    interferences: Iterable[str],
    standoff_m: float | None,
    controls: Iterable[str],
    metric_crs: "pyproj.CRS",
) -> Ground:
    """Exclusions, interference and control points from any vector files."""
    from gridtools.formats.vector import POINTS, read_vector
    from gridtools.layers import Control, Exclusion, Interference
    from gridtools.plan.area import buffered

    notices: list[str] = []
    exclusion, interference, control = [], [], []
    for file in exclusions:
        vector = read_vector(file)
        distance = _lengths(vector, "buffer_m", buffer_m)
        repaired = buffered(_geometry(vector, metric_crs), distance, vector.name)
        notices += [*vector.notices, *repaired.notices]
        reasons = _texts(vector, "reason", "name")
        exclusion.append(
            Exclusion.build(
                geometry=repaired.geometry,
                reason=[reasons[i] for i in repaired.row],
                buffer_m=[distance[i] for i in repaired.row],
            )
        )
    for file in interferences:
        vector = read_vector(file)
        distance = _lengths(vector, "standoff_m", standoff_m)
        repaired = buffered(_geometry(vector, metric_crs), distance, vector.name)
        notices += [*vector.notices, *repaired.notices]
        kinds = _texts(vector, "kind", "name")
        interference.append(
            Interference.build(
                geometry=repaired.geometry,
                kind=[kinds[i] for i in repaired.row],
                standoff_m=[distance[i] for i in repaired.row],
            )
        )
    for file in controls:
        vector = read_vector(file, kinds=POINTS[:1])
        notices += vector.notices
        measures = ("local_e_m", "local_n_m", "height_m", "accuracy_m")
        known: dict[str, Any] = {m: _lengths(vector, m, None) for m in measures}
        control.append(
            Control.build(
                geometry=_geometry(vector, metric_crs),
                name=_texts(vector, "name"),
                source=_texts(vector, "source"),
                **known,
            )
        )
    return Ground(
        exclusion=Exclusion.concat(exclusion),
        interference=Interference.concat(interference),
        control=Control.concat(control),
        notices=tuple(notices),
    )


def site_lines(site: "Site", area: "SearchArea") -> tuple[dict[str, Any], list[str]]:
    """Summary, and lines for a person, on the ground to be searched."""
    import shapely

    from gridtools.units import format_area

    whole = float(shapely.union_all(site.geometry).area)
    search = float(area.area_m2.sum())
    reduced = float(area.area_m2[area.confidence == "reduced"].sum())
    summary = {"site_m2": whole, "search_m2": search, "reduced_m2": reduced}
    return summary, [
        f"Site {format_area(whole)}, search area {format_area(search)}, "
        f"of it {format_area(reduced)} with reduced confidence."
    ]


@contextmanager
def named(name: str) -> Iterator[None]:
    """Within it, an error that says nothing of a file names this one."""
    from gridtools.errors import InputError

    try:
        yield
    except InputError as error:
        if name in str(error):
            raise
        raise InputError(f"{name}: {error}") from error


def _geometry(vector: "Vector", metric_crs: "pyproj.CRS") -> "np.ndarray[Any, Any]":
    from gridtools.geodesy import transform_geometry

    with named(vector.name):
        return transform_geometry(vector.geometry, vector.crs, metric_crs)


def _texts(vector: "Vector", *names: str) -> list[str]:
    """Text of the first of some attributes that a row has, whatever their case."""
    found = []
    for row in vector.rows:
        known = {str(key).lower(): value for key, value in row.items() if value is not None}
        found.append(next((str(known[name]) for name in names if name in known), ""))
    return found


def _lengths(vector: "Vector", name: str, otherwise: float | None) -> Sequence[float]:
    """Lengths in metres from an attribute, with or without a unit."""
    from gridtools.errors import InputError
    from gridtools.units import parse_length

    found = []
    for index, text in enumerate(_texts(vector, name)):
        try:
            found.append(
                parse_length(text) if text else float("nan") if otherwise is None else otherwise
            )
        except InputError as error:
            raise InputError(f"{vector.name}, row {index + 1}, {name}: {error}") from error
    return found
