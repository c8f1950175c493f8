"""The form for test passes over a test piece, with the passes laid out."""

from reportlab.platypus import Flowable

from gridtools.handover import cautions
from gridtools.handover.pages import layout
from gridtools.sensor.passes import planned_passes

_FIELDS = (
    "date", "operator", "place and ground", "instrument and set-up", "tuning", "test piece",
    "depth to its top", "heading A, degrees", "R",
)  # fmt: skip
_HOW = (
    "On ground like that to be searched, with no other metal within twice the reach, put the test "
    "piece: like the smallest object that matters, at the depth that matters. A hole has to be dug "
    "and filled as for the real thing; where none may be dug, lay the piece on the ground and "
    "carry the coil higher by the depth, and note that.",
    "First try: walk past at growing distances until it stays silent. Write that distance down as "
    "R.",
    "Stretch a tape across the piece at right angles to the walk, zero over the piece. Mark the "
    "shares of R below on both sides. 0.4 R left: walk over the mark that has the piece 0.4 R to "
    "your left.",
    "Walk straight over the marks in the order below, to and fro (heading B is A turned round), "
    "from well before to well beyond the piece, at the pace and coil height of the search. Retune "
    "as in the search.",
    "The walker says when a response comes that would be logged in the search. The other writes "
    "yes or no, measures where the coil really crossed the tape, and does not give away which pass "
    "goes where.",
    "Distances with the piece to the right of the walker are positive, to the left negative. Every "
    "pass made counts, odd ones too.",
)
_MIND = ("Implants", "Metal off the person", "Buried services", "Suspected munition")


def trial_form(*, paper: str = "a4") -> bytes:
    """Form for test passes as PDF; its columns are those of a CSV that ``spacing`` takes in.

    Examples
    --------
    >>> trial_form()[:5]
    b'%PDF-'
    """
    rows = [
        [
            str(p.number),
            f"{abs(p.share):g} R {'right' if p.share > 0 else 'left'}",
            layout.text(p.heading, 9, bold=True, after=0),
            "",
            f"{layout.BOX} yes   {layout.BOX} no",
            "",
        ]
        for p in planned_passes()
    ]
    story: list[Flowable] = [
        layout.title("Test passes"),
        layout.text(
            "To measure how wide a strip the instrument covers, for one object, depth, set-up and "
            "ground. Two people, two hours."
        ),
        layout.fill(_FIELDS, 3),
        layout.heading("How"),
        *(layout.text(f"{number}. {words}") for number, words in enumerate(_HOW, start=1)),
        *(
            layout.marked(f"<b>{layout.escaped(c.heading)}.</b> {layout.escaped(c.text)}")
            for c in cautions.PRE_START
            if c.heading in _MIND
        ),
        layout.notice(f"<b>{layout.escaped(cautions.DEFERENCE)}</b>"),
        layout.new_page(),
        layout.heading("Passes"),
        layout.text(
            "Type them into a CSV file with the header lateral_m,responded,heading_deg and read it "
            "with gridtools spacing trials.csv.    R = ________"
        ),
        layout.grid(
            ("no", "piece at", "to", "as walked, left negative", "responded", "remark"),
            rows,
            (11, 28, 12, 42, 34, 0),
            running="Test passes",
            height_mm=7.5,
        ),
    ]
    return layout.document(story, name="Test passes", paper=paper)
