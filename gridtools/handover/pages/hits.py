"""The hit log form: head of the session, checks, and a line for each response."""

from reportlab.platypus import Flowable

from gridtools.handover import cautions
from gridtools.handover.pages import layout
from gridtools.handover.pages.head import Head

_SESSION = (
    "date", "session", "operator", "instrument and set-up", "tuning: motion / static",
    "GPS unit, its accuracy", "clock: hours from UTC", "weather", "ground: dry, wet, grass, spoil",
)  # fmt: skip
_CHECKS = ("start", "break", "break", "break", "finish")
ROWS_FIRST = 7
ROWS_MORE = 20


def hit_form(head: Head, *, pages: int = 4) -> bytes:
    """Hit log form as PDF: the session and its checks first, then pages of lines to write on.

    Its columns are those of a CSV that ``record`` takes in.

    Examples
    --------
    >>> hit_form(Head(job_name="Yard", crs_name="EPSG:32630"))[:5]
    b'%PDF-'
    """
    story: list[Flowable] = [
        layout.title(f"{head.job_name}: hit log"),
        layout.text(f"{head.sweep}; {head.spacing}; {head.crs_name}."),
        layout.fill(_SESSION, 3),
        layout.heading("Before the start"),
        layout.grid(
            ("", "what", "how"),
            [
                [
                    layout.text(layout.BOX, 12, after=0),
                    layout.text(caution.heading, 8, bold=True, after=0),
                    layout.text(caution.text, 8, after=0),
                ]
                for caution in cautions.PRE_START
            ],
            (9, 38, 0),
        ),
        layout.text(f"{cautions.DEFERENCE} {cautions.NO_PROOF}", 8.5),
        layout.together(
            layout.heading("Checks of the instrument"),
            layout.grid(
                ("when", "time", "function check", "ground check", "remark"),
                [[when, "", _result(), _result(), ""] for when in _CHECKS],
                (20, 25, 40, 40, 0),
                height_mm=8,
            ),
        ),
    ]
    for page in range(pages - 1):
        story += [layout.new_page(), _lines(head, ROWS_MORE, page + 1)]
    return layout.document(story, name=f"{head.job_name}: hit log", paper=head.paper)


def _result() -> Flowable:
    return layout.text(f"{layout.BOX} pass   {layout.BOX} fail", 8.5, after=0)


def _lines(head: Head, rows: int, sheet: int) -> Flowable:
    return layout.grid(
        ("time", "lane", "chainage", "direction", "strength", "part", "remark"),
        [["", "", "", layout.direction(), "", _part(), ""] for _ in range(rows)],
        (20, 24, 21, 26, 19, 24, 0),
        running=f"{head.job_name} · hit log · session ________ · date ____________ · sheet {sheet}",
        height_mm=10,
    )


def _part() -> list[Flowable]:
    return [layout.text(words, 8, after=0) for words in ("start · peak", "end")]
