"""The form for a note of lanes walked by pegs and tape, with how to write one."""

import re

from gridtools.handover import cautions
from gridtools.handover.pages import layout
from gridtools.handover.pages.head import Head
from gridtools.units import shown_unit

EXAMPLES = (
    ("2026-05-14", "date of the lines below it"),
    ("1-001 to 1-020 in order, missed 1-007", "lanes 1-001 to 1-020 from end to end, but 1-007"),
    ("09:20 1-021 backward", "begun at 09:20, finish peg to start peg"),
    ("1-022, missed 1-022 from 34 m", "1-022 but its rest from chainage 34 m"),
    ("1-023 from 34 m", "from chainage 34 m to the finish peg"),
    ("1-024 0 to 20 m", "from the start peg to chainage 20 m"),
    ("hit 1-024 at 12.5 m, strength 6", "a hit, by its chainage"),
)


def walked_form(head: Head, *, rows: int = 9) -> bytes:
    """Walked-lanes form as PDF.

    Examples
    --------
    >>> walked_form(Head(job_name="Yard", crs_name="EPSG:32630"))[:5]
    b'%PDF-'
    """
    name = f"{head.job_name}: lanes walked"
    return layout.document(
        [
            layout.title(name),
            layout.fill(("date", "session", "operator"), 3),
            layout.text(
                "Write a line as in these examples; typed as they stand into a text file, "
                "gridtools record takes them in."
            ),
            layout.grid(("write", "for"), _examples(), (78, 0)),
            layout.heading("Walked"),
            layout.grid(("",), [[""] for _ in range(rows)], (0,), height_mm=11),
            layout.notice(
                f"<b>Stop rules.</b> {layout.escaped(cautions.STOP_RULES)} "
                f"{layout.escaped(cautions.DEFERENCE)} {layout.escaped(cautions.NO_PROOF)}"
            ),
        ],
        name=name,
        paper=head.paper,
    )


def _examples() -> list[tuple[str, str]]:
    """The examples with chainages in the unit of the tape."""
    unit = shown_unit()[0]
    return [(re.sub(r"(?<=\d) m\b", f" {unit}", a), re.sub(r"(?<=\d) m\b", f" {unit}", b))
            for a, b in EXAMPLES]  # fmt: skip
