"""The form for closing in on candidates: where the response starts, from several sides."""

import numpy as np
import shapely
from reportlab.platypus import Flowable

from gridtools.handover.cautions import DEFERENCE, NO_PROOF
from gridtools.handover.pages import layout
from gridtools.handover.pages.head import Head
from gridtools.layers import Candidates
from gridtools.units import format_length

ROWS = 8
_HOW_TO = (
    "Put a flag where the candidate should lie. Walk at it in a straight line from well outside, "
    "at least twice the depth expected and farther for a shallow object, until the response "
    "starts; mark that point. Do so from four sides at least, two and two opposite, with the same "
    "coil leading and the same settings. Move the flag to where the marks say the centre is. Then "
    "tape from the flag to each mark, and to where the approach began."
)


def approach_form(candidates: Candidates, head: Head, *, metres_per_unit: float = 1.0) -> bytes:
    """Form for approaches to each open candidate, two to a page, as PDF.

    Its columns are those of a CSV that ``pinpoint`` takes in.

    Parameters
    ----------
    candidates
        Candidates; those dug, dropped or gone are left out.
    head
        What stands at the head.
    metres_per_unit
        Length of one unit of the job's CRS, in which positions are printed.
    """
    is_open = [s.strip().lower() not in ("dug", "dropped", "gone") for s in candidates.status]
    rows = candidates.take(np.array(is_open, dtype=bool))
    rows = rows.take(np.argsort(rows.rank, kind="stable"))
    xy = shapely.get_coordinates(rows.geometry) / metres_per_unit
    name = f"{head.job_name}: approaches"
    story: list[Flowable] = [
        layout.title(name),
        layout.fill(("date", "session", "operator", "instrument and set-up", "coil height",
                     "clock: hours from UTC"), 3, 10),
        layout.text(_HOW_TO, 8.5),
        layout.text(f"No digging on this sheet. {DEFERENCE} {NO_PROOF}", 8.5),
    ]  # fmt: skip
    for i in range(len(rows)):
        spread = rows.sigma_m[i]
        story.append(
            layout.together(
                layout.heading(rows.candidate_id[i]),
                layout.text(
                    f"{rows.verdict[i]}, chance of metal {rows.p_metal[i]:.0%}. "
                    f"E {xy[i, 0]:.2f} N {xy[i, 1]:.2f}"
                    + (f" ± {format_length(spread)}" if np.isfinite(spread) else "")
                    + f", {head.crs_name}."
                ),
                layout.grid(
                    (
                        "kind", "heading", "coil that led", "began, from flag",
                        "onset, from flag", "remark",
                    ),
                    [
                        [f"{layout.BOX} onset   {layout.BOX} centre", "", "", "", "", ""]
                        for _ in range(ROWS)
                    ],
                    (40, 22, 28, 30, 30, 0),
                    height_mm=9,
                ),
            )
        )  # fmt: skip
    return layout.document(story, name=name, paper=head.paper)
