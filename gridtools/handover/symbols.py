"""What a style is made of: lines, areas, marks, the rows that they are for, and labels.

Lengths are millimetres on paper or screen, text sizes points, colours ``#rrggbb``.
"""

import operator
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from gridtools.columns import Layer
from gridtools.handover.palette import INK, PAPER

_COMPARE: dict[str, Callable[[Any, Any], Any]] = {
    "=": operator.eq,
    "<>": operator.ne,
    ">=": operator.ge,
    "<": operator.lt,
}
Shape = Literal["circle", "square", "diamond", "triangle", "star", "cross", "x"]


@dataclass(frozen=True, kw_only=True)
class Line:
    """A line: the layer's own, or the outline of an area.

    Attributes
    ----------
    colour, width_mm
        How it is drawn.
    dash_mm
        Lengths of dash and space in turn; empty for a line without breaks.
    arrow
        Whether an arrow in the middle shows its direction.
    opacity
        0 to 1.
    """

    colour: str
    width_mm: float
    dash_mm: tuple[float, ...] = ()
    arrow: bool = False
    opacity: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Hatch:
    """Parallel lines that fill an area; ``crossed`` adds those at right angles to them."""

    colour: str
    width_mm: float
    spacing_mm: float
    angle_deg: float
    crossed: bool = False


@dataclass(frozen=True, kw_only=True)
class Area:
    """An area: its fill if any, its hatching, its outline."""

    colour: str = ""
    opacity: float = 1.0
    hatch: Hatch | None = None
    outline: Line | None = None


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A mark at a point; without ``colour`` it is hollow."""

    shape: Shape
    size_mm: float
    colour: str = ""
    outline: str = INK
    outline_mm: float = 0.3


@dataclass(frozen=True)
class Where:
    """A condition on one column; a flag only ever equals True or False."""

    column: str
    is_: Literal["=", "<>", ">=", "<"]
    value: str | float | bool


@dataclass(frozen=True, kw_only=True)
class Rule:
    """How some rows of a layer are drawn.

    Attributes
    ----------
    title
        Words for the legend.
    symbol
        How they are drawn, the last on top.
    where
        Conditions that a row meets, all of them.
    """

    title: str
    symbol: tuple[Line | Area | Mark, ...]
    where: tuple[Where, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Label:
    """Text beside some rows.

    Attributes
    ----------
    column
        Column that gives the text.
    then, suffix, scale, decimals
        A second column of numbers to follow it after a space, times ``scale`` and with so many
        decimals, and words after that.
    at
        Start or finish of a line, or the middle of an area or line; a point has its text beside.
    colour, halo, size_pt, bold
        Of the text.
    offset_mm
        How far it stands from the point.
    closer_than
        Denominator of the map scale below which it is shown; 0 for always.
    where
        Conditions that a row meets.
    """

    column: str
    then: str = ""
    suffix: str = ""
    scale: float = 1.0
    decimals: int = 0
    at: Literal["start", "finish", "middle", "beside"] = "beside"
    colour: str = INK
    halo: str = PAPER
    size_pt: float = 8.0
    bold: bool = False
    offset_mm: float = 1.4
    closer_than: int = 0
    where: tuple[Where, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Style:
    """How a layer is drawn: the rules, of which a row meets at most one, and its labels."""

    rules: tuple[Rule, ...]
    labels: tuple[Label, ...] = ()


def rule_of_rows(style: Style, layer: Layer) -> NDArray[np.intp]:
    """Position (n,) of the rule that draws each row; -1 where none does.

    Examples
    --------
    >>> from gridtools.layers import Tape
    >>> rules = (Rule(title="a", symbol=(), where=(Where("struck", "=", True),)),)
    >>> rule_of_rows(Style(rules=rules), Tape.build(struck=[True, False])).tolist()
    [0, -1]
    """
    found = np.full(len(layer), -1, dtype=np.intp)
    for number, rule in reversed(list(enumerate(style.rules))):
        met = np.ones(len(layer), dtype=np.bool_)
        for where in rule.where:
            met &= _COMPARE[where.is_](getattr(layer, where.column), where.value)
        found[met] = number
    return found
