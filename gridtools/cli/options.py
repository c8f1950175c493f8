"""Parameter types and options that several commands share."""

import math
from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar, cast

import click

from gridtools.errors import InputError, quote

F = TypeVar("F", bound=Callable[..., Any])


def _length(text: str) -> float:
    from gridtools.units import parse_length

    return parse_length(text)


def _area(text: str) -> float:
    from gridtools.units import parse_area

    return parse_area(text)


class _Measure(click.ParamType[Any]):
    """A number with a unit, given to the command in metres or square metres."""

    def __init__(
        self, name: str, parse: Callable[[str], float], low: float, *, exclusive: bool = False
    ) -> None:
        self.name = name
        self._parse = parse
        self._low = low
        self._exclusive = exclusive

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if isinstance(value, float):
            return value
        try:
            number = self._parse(str(value))
        except InputError as error:
            self.fail(str(error), param, ctx)
        if not math.isfinite(number):
            self.fail(f"{quote(value)} is not a finite length or area", param, ctx)
        if number < self._low or (self._exclusive and number == self._low):
            least = "more than" if self._exclusive else "at least"
            self.fail(f"{quote(value)} must be {least} {self._low:g}", param, ctx)
        return number


class FiniteRange(click.FloatRange):
    """A number within bounds, as `click.FloatRange`, that is neither nan nor infinite."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Number that was typed; fails if it is out of bounds or not finite."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{quote(value)} is not a finite number", param, ctx)
        return number


class _Bearing(click.ParamType[Any]):
    """Degrees from grid north, or auto, given to the command as None."""

    name = "auto or deg"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float | None:
        if value in (None, "auto"):
            return None
        try:
            bearing = float(value)
        except ValueError:
            self.fail(f"{quote(value)} is neither auto nor a number of degrees", param, ctx)
        if not 0.0 <= bearing <= 360.0:
            self.fail(f"{quote(value)} is not between 0 and 360 degrees", param, ctx)
        return bearing


LENGTH = _Measure("length", _length, 0.0)
POSITIVE_LENGTH = _Measure("length", _length, 0.0, exclusive=True)
SIGNED_LENGTH = _Measure("length", _length, -math.inf)
AREA = _Measure("area", _area, 0.0)
BEARING = _Bearing()


def job_argument(function: F) -> F:
    """``JOB``, given to the command as ``path``; what the command says is in the job's unit."""

    @wraps(function)
    def in_unit_of_job(*args: Any, **kwargs: Any) -> Any:
        from gridtools.units import shown_in

        with shown_in(_metres_per_unit(kwargs["path"])):
            return function(*args, **kwargs)

    return click.argument("path", metavar="JOB")(cast(F, in_unit_of_job))


def _metres_per_unit(path: str) -> float:
    """Unit of a job; metres if it cannot be read, of which the command has more to say."""
    from pathlib import Path

    from gridtools.errors import GridtoolsError
    from gridtools.job import Job

    if not Path(path).is_file():
        return 1.0
    try:
        with Job.open(path) as job:
            return job.metres_per_unit
    except GridtoolsError:
        return 1.0


def output_options(function: F) -> F:
    """``--json`` and ``-q``, given to the command as ``as_json`` and ``quiet``."""
    function = click.option(
        "-q", "--quiet", is_flag=True, help="Say nothing but notes and errors."
    )(function)
    return click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON.")(
        function
    )


def speed_option(function: F) -> F:
    """``--speed``, the walking speed that times are reckoned with."""
    return click.option(
        "--speed",
        "speed_mps",
        type=FiniteRange(0.1, 3.0),
        help="Walking speed in metres a second (1.2 unless set before).",
    )(function)
