"""Form to print for test passes over a test piece, with the passes laid out.

The layout is common practice, no source, checked by simulation: 40 passes so spread measure the
sweep width to about a fifth (90 % interval of either side).
"""

import random
from collections.abc import Iterator
from typing import NamedTuple

from gridtools.handover import cautions
from gridtools.handover.rendering import environment

#: Distances abreast in parts of R, the distance at which a first try stopped responding: close
#: together where the response falls off, and out to twice R, where all should be silent.
SHARES_OF_R = (0.1, 0.4, 0.6, 0.75, 0.9, 1.0, 1.15, 1.3, 1.6, 2.0)
_SEED = 7
_CAUTIONS = ("Implants", "Metal off the person", "Buried services", "Suspected munition")


class PlannedPass(NamedTuple):
    """One test pass: its offset in parts of R, right of the walker positive, and its heading."""

    number: int
    share: float
    heading: str


def planned_passes() -> Iterator[PlannedPass]:
    """Forty passes: each distance on both sides and headings, in an order nobody can guess."""
    all_passes = [
        (side * share, heading) for share in SHARES_OF_R for side in (-1, 1) for heading in "AB"
    ]
    random.Random(_SEED).shuffle(all_passes)
    # The walker goes to and fro: headings alternate, in the order drawn for each.
    by_heading = {h: iter([p for p in all_passes if p[1] == h]) for h in "AB"}
    for number in range(1, len(all_passes) + 1):
        share, heading = next(by_heading["AB"[(number - 1) % 2]])
        yield PlannedPass(number, share, heading)


def trial_form(job_name: str = "Test passes") -> str:
    """Form for test passes, an HTML document to print.

    Examples
    --------
    >>> html = trial_form()
    >>> html.count("right") >= 20, "pacemaker" in html
    (True, True)
    """
    passes = [
        {
            "number": str(p.number),
            "offset": f"{abs(p.share):g} R {'right' if p.share > 0 else 'left'}",
            "heading": p.heading,
        }
        for p in planned_passes()
    ]
    return (
        environment()
        .get_template("trial_form.html.j2")
        .render(
            job_name=job_name,
            title="sweep width",
            fields=("date", "operator", "place and ground", "instrument and set-up", "tuning",
                    "test piece", "depth to its top, m", "heading A, degrees", "R, m"),
            columns=(passes[:20], passes[20:]),
            # The sheets of the walk forbid digging; a test piece may need a hole.
            cautions=[c._replace(text=c.text.removesuffix(" No digging on these sheets."))
                      for c in cautions.PRE_START if c.heading in _CAUTIONS],
            deference=cautions.DEFERENCE,
        )
    )  # fmt: skip
