"""What every sheet and report has to say: the cautions, and how far the sweep width is known.

The words are plain trade practice, with these sources: for munitions the message recognise,
retreat, report of the US Department of Defense (3Rs Explosives Safety Education Program,
denix.osd.mil/uxo); for lightning the advice of the US National Weather Service to leave open
ground once thunder is heard (from memory). The rest is common practice, no source.
"""

import math
from typing import NamedTuple

from gridtools.units import format_length


class Caution(NamedTuple):
    """One thing to see to, and how."""

    heading: str
    text: str


PRE_START: tuple[Caution, ...] = (
    Caution(
        "Implants",
        "Anyone with a pacemaker, pump, stimulator or other implant asks its maker or a doctor "
        "before using the instrument or standing near it.",
    ),
    Caution(
        "Metal off the person",
        "Keys, knife, phone, belt buckle, toe caps, tools and spare batteries stay off the walker "
        "and well away from the coil.",
    ),
    Caution(
        "Function and ground check",
        "Instrument warmed up, batteries good, test piece gives its usual response, ground check "
        "done as the maker says. Again at each break and at the finish.",
    ),
    Caution(
        "Clock and position",
        "Clock set by the GPS unit and its zone noted. GPS unit logging one fix a second, or "
        "pegs and tape in place and checked.",
    ),
    Caution(
        "Working alone",
        "Somebody knows where you are, how to reach you and when you are due back.",
    ),
    Caution(
        "Weather",
        "Thunder or lightning: stop and leave open ground. Heat: water, shade, rests. "
        "Cold and wet: go in before your hands fail.",
    ),
    Caution("Livestock", "Ask the owner what is in the field. Keep away from cows with calves."),
    Caution("Traffic", "Near roads, tracks and plant: be seen, and have somebody watch."),
    Caution(
        "Buried services",
        "Ask the owners of pipes and cables for their records first. A peg can pierce a cable: "
        "know what lies below before driving one. No digging on these sheets.",
    ),
    Caution(
        "Suspected munition",
        "Recognise that it may be one. Do not touch or move it. Retreat the way you came and keep "
        "others away. Report it to the police.",
    ),
)
STOP_RULES = (
    "Stop for thunder, lightning or heat, for livestock or traffic that comes near, and when a "
    "check of the instrument fails. Suspected munition: recognise it, retreat without touching, "
    "report it to the police."
)
DEFERENCE = (
    "Local codes, the rules of the site and licensed practice come before anything on this sheet."
)
NO_PROOF = "A walked lane does not show that nothing is left in the ground."


def sweep_statement(sweep_width_m: float | None, basis: str) -> str:
    """Sweep width with how far it is known, as every sheet, map and report must say it.

    Parameters
    ----------
    sweep_width_m
        Sweep width in metres; None or NaN where the job has none.
    basis
        Where it came from: ``measured`` by test passes, ``given`` or ``assumed``.

    Examples
    --------
    >>> sweep_statement(4.0, "given")
    'sweep width assumed, not tested (4.00 m)'
    >>> sweep_statement(3.6, "measured")
    'sweep width measured by test passes (3.60 m)'
    >>> sweep_statement(None, "")
    'sweep width not set'
    """
    if sweep_width_m is None or math.isnan(sweep_width_m):
        return "sweep width not set"
    if basis == "measured":
        return f"sweep width measured by test passes ({format_length(sweep_width_m)})"
    return f"sweep width assumed, not tested ({format_length(sweep_width_m)})"
