"""The page at the end of a day: what is done, what is short, what to walk tomorrow."""

from collections.abc import Sequence
from datetime import date

from reportlab.platypus import Flowable

from gridtools.coverage.names import spans
from gridtools.coverage.standing import Standing
from gridtools.handover.cautions import NO_PROOF
from gridtools.handover.pages import layout
from gridtools.handover.pages.head import Head
from gridtools.units import format_duration, format_length

_BEFORE_HOME = (
    "walked by",
    "left the site at",
    "instrument and batteries put by",
    "told that we are back",
)


def day_page(
    walking: Sequence[Standing],
    head: Head,
    *,
    on: date | None,
    covered_percent: Sequence[tuple[str, float]] = (),
    failed: Sequence[str] = (),
    warnings: Sequence[str] = (),
) -> bytes:
    """Page at the end of a day, as PDF.

    Parameters
    ----------
    walking
        Where each kind of lane stands.
    head
        What stands at the head.
    on
        Day that it is printed for; None where no session has a time.
    covered_percent
        Part of the coverage and the share of it that is covered.
    failed
        Checks that failed, in words.
    warnings
        Sentences on runs in doubt and layers out of date.

    Examples
    --------
    >>> day_page([], Head(job_name="Yard", crs_name="EPSG:32630"), on=date(2026, 5, 4))[:5]
    b'%PDF-'
    """
    name = f"{head.job_name}: end of {on.isoformat() if on else 'the day'}"
    left_s = sum(s.left_s for s in walking)
    left_m = sum(s.left_m for s in walking)
    story: list[Flowable] = [
        layout.title(name),
        layout.facts(
            [
                ("Sweep", head.sweep),
                (
                    "Left to walk",
                    f"{format_length(left_m)}, {format_duration(left_s)}" if left_s else "nothing",
                ),
                *((f"Covered, {part}", f"{percent:.2f} %") for part, percent in covered_percent),
                ("Failed checks", ", ".join(failed) or "none"),
            ]
        ),
        layout.heading("Lanes"),
        layout.grid(
            ("lanes", "done", "short", "to walk", "left", "time left"),
            [
                [
                    s.kind,
                    str(s.done),
                    str(len(s.short)),
                    str(len(s.to_walk)),
                    format_length(s.left_m),
                    format_duration(s.left_s) if s.left_s else "none",
                ]
                for s in walking
            ],
            (28, 24, 24, 24, 40, 0),
        ),
        layout.heading("To walk tomorrow"),
    ]
    tomorrow = [
        [layout.text(layout.BOX, 12, after=0), s.kind, what, spans(set(names), most=40)]
        for s in walking
        for what, names in (("short", s.short), ("to walk", s.to_walk))
        if names
    ]
    story.append(
        layout.grid(("", "lanes", "what", "ids"), tomorrow, (9, 24, 20, 0))
        if tomorrow
        else layout.text("No lane of the plan is left. Coverage says whether ground is.")
    )
    story += [
        layout.text(
            "Short: accepted runs span only a part of the lane. Where that left a gap, coverage "
            "lays an infill lane.",
            8.5,
        ),
        *(layout.text(f"{words.rstrip('.')}.", bold=True) for words in warnings),
        layout.heading("Before going home"),
        layout.fill(_BEFORE_HOME, 2, 12),
        layout.text(f"Keep the logs as they came off the unit. {NO_PROOF}", 8.5),
    ]
    return layout.document(story, name=name, paper=head.paper)
