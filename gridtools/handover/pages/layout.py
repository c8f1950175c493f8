"""Layout of printed pages: paper, type, tables to write in, boxes to tick.

Everything is vector and black on white. Pages are laid out for the narrower and the shorter of
A4 and Letter, so that a table breaks in the same way on both and nothing is cut off.
"""

import io
import unicodedata
from collections.abc import Sequence
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from reportlab.lib.colors import black, white
from reportlab.lib.enums import TA_LEFT
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.cidfonts import UnicodeCIDFont
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    Flowable,
    KeepTogether,
    PageBreak,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    Table,
    TableStyle,
)

PAPERS = {"a4": A4, "letter": LETTER}
#: Width that every page has: A4 less its margins, which Letter has too.
WIDTH = A4[0] - 24 * mm
_MARGIN_MM = 12.0
BOX = "\N{BALLOT BOX}"
PLAIN, BOLD = "DejaVuSans", "DejaVuSans-Bold"
# Scripts that the embedded font lacks, by the names of their characters; a PDF reader brings the
# fonts for these along (ISO 32000-1, 9.7.5).
_ELSEWHERE = (
    (("HIRAGANA", "KATAKANA"), "HeiseiKakuGo-W5"),
    (("HANGUL",), "HYGothic-Medium"),
    (("CJK", "IDEOGRAPHIC", "FULLWIDTH"), "STSong-Light"),
)


@cache
def _fonts() -> frozenset[int]:
    """Register the fonts; code points that the embedded one holds."""
    spec = find_spec("matplotlib")
    assert spec is not None
    assert spec.submodule_search_locations
    folder = Path(spec.submodule_search_locations[0]) / "mpl-data" / "fonts" / "ttf"
    plain = TTFont(PLAIN, folder / f"{PLAIN}.ttf")
    pdfmetrics.registerFont(plain)
    pdfmetrics.registerFont(TTFont(BOLD, folder / f"{BOLD}.ttf"))
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=BOLD, italic=PLAIN, boldItalic=BOLD)
    for _, name in _ELSEWHERE:
        pdfmetrics.registerFont(UnicodeCIDFont(name))
    return frozenset(plain.face.charToGlyph)


def escaped(text: object) -> str:
    """Text as markup: nothing in it is taken for a tag, every script gets a font that has it.

    Line breaks become spaces; a character that no font has is shown by its code.
    """
    held = _fonts()
    out = []
    for c in str(text):
        if c.isspace():
            out.append(" ")
        elif ord(c) in held:
            out.append({"&": "&amp;", "<": "&lt;", ">": "&gt;"}.get(c, c))
        elif unicodedata.category(c)[0] != "C":
            out.append(_elsewhere(c))
    return "".join(out)


def _elsewhere(c: str) -> str:
    name = unicodedata.name(c, "")
    for starts, font in _ELSEWHERE:
        if name.startswith(starts):
            return f'<font name="{font}">{c}</font>'
    return f"U+{ord(c):04X}"


def _style(
    size: float, *, bold: bool = False, before: float = 0.0, after: float = 0.0
) -> ParagraphStyle:
    _fonts()
    return ParagraphStyle(
        f"{size}{bold}",
        fontName=BOLD if bold else PLAIN,
        fontSize=size,
        leading=size * 1.22,
        spaceBefore=before * mm,
        spaceAfter=after * mm,
        alignment=TA_LEFT,
        textColor=black,
        splitLongWords=1,
    )


def text(words: object, size: float = 9.5, *, bold: bool = False, after: float = 1.5) -> Flowable:
    """Paragraph of plain text."""
    return Paragraph(escaped(words), _style(size, bold=bold, after=after))


def marked(markup: str, size: float = 9.0) -> Flowable:
    """Paragraph of markup of our own; whatever comes from a job goes through `escaped` first."""
    return Paragraph(markup, _style(size, after=1))


def direction() -> list[Flowable]:
    """The two ways that a lane is walked, each to tick."""
    return [text(f"{BOX} {way}", 8.5, after=0.3) for way in ("forward", "backward")]


def title(words: object) -> Flowable:
    """Title of a document."""
    return Paragraph(escaped(words), _style(17, bold=True, after=1.5))


def heading(words: object) -> Flowable:
    """Heading within a document, kept with what follows."""
    style = _style(13, bold=True, before=3.5, after=1.5)
    style.keepWithNext = 1
    return Paragraph(escaped(words), style)


def facts(rows: Sequence[tuple[str, str]], names_mm: float = 36.0) -> Flowable:
    """Names and values, a line each."""
    table = Table(
        [[text(name, bold=True, after=0), text(value, after=0)] for name, value in rows],
        colWidths=[names_mm * mm, WIDTH - names_mm * mm],
        hAlign="LEFT",
    )
    table.setStyle(
        TableStyle(
            [
                ("LINEBELOW", (0, 0), (-1, -1), 0.5, black),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 2),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
            ]
        )
    )
    return table


def notice(markup: str) -> Flowable:
    """Words in a heavy frame, in markup of our own."""
    table = Table([[marked(markup)]], colWidths=[WIDTH], hAlign="LEFT", spaceBefore=2 * mm)
    table.setStyle(
        TableStyle(
            [
                ("BOX", (0, 0), (-1, -1), 1.8, black),
                ("TOPPADDING", (0, 0), (-1, -1), 5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 6),
            ]
        )
    )
    return table


def fill(names: Sequence[str], per_row: int, height_mm: float = 11.0) -> Flowable:
    """Fields to write in, each with its name in small type."""
    rows = [list(names[i : i + per_row]) for i in range(0, len(names), per_row)]
    cells = [
        [text(name, 7.5, after=0) for name in row] + [""] * (per_row - len(row)) for row in rows
    ]
    table = Table(
        cells,
        colWidths=[WIDTH / per_row] * per_row,
        rowHeights=[height_mm * mm] * len(rows),
        hAlign="LEFT",
        spaceBefore=1 * mm,
        spaceAfter=2 * mm,
    )
    table.setStyle(_ruled(header=0))
    return table


def grid(
    header: Sequence[str],
    rows: Sequence[Sequence[object]],
    widths_mm: Sequence[float],
    *,
    running: str = "",
    height_mm: float | None = None,
) -> Flowable:
    """Ruled table whose head is repeated on every page.

    Parameters
    ----------
    header
        Titles of the columns.
    rows
        Cells: text, or flowables.
    widths_mm
        Widths of the columns; the last one takes what is left.
    running
        Line above the head on every page.
    height_mm
        Least height of a row, for columns that are written in.
    """
    widths = [w * mm for w in widths_mm]
    widths[-1] = WIDTH - sum(widths[:-1])
    head: list[list[Any]] = [[text(name, 7.5, bold=True, after=0) for name in header]]
    if running:
        head.insert(0, [text(running, 7.5, after=0)] + [""] * (len(header) - 1))
    body = [
        [cell if isinstance(cell, Flowable | list) else text(cell, 8.5, after=0) for cell in row]
        for row in rows
    ]
    # A column of no width holds each row open: a fixed height would cut long text off.
    strut = "" if height_mm is None else Spacer(0, height_mm * mm)
    table = Table(
        [[*row, ""] for row in head] + [[*row, strut] for row in body],
        colWidths=[*widths, 0],
        repeatRows=len(head),
        hAlign="LEFT",
    )
    style = _ruled(header=len(head), running=bool(running), last=len(header) - 1)
    for side in ("TOP", "BOTTOM", "LEFT", "RIGHT"):
        style.add(f"{side}PADDING", (-1, 0), (-1, -1), 0)
    table.setStyle(style)
    return table


def _ruled(*, header: int, running: bool = False, last: int = -1) -> TableStyle:
    first = 1 if running else 0
    rules: list[tuple[Any, ...]] = [
        ("GRID", (0, first), (last, -1), 0.8, black),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 3),
        ("RIGHTPADDING", (0, 0), (-1, -1), 2),
        ("TOPPADDING", (0, 0), (-1, -1), 2.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
        ("BACKGROUND", (0, 0), (-1, -1), white),
    ]
    if running:
        rules += [("SPAN", (0, 0), (last, 0)), ("LEFTPADDING", (0, 0), (-1, 0), 0)]
    if header:
        rules.append(("VALIGN", (0, first), (-1, header - 1), "BOTTOM"))
    return TableStyle(rules)


def together(*flowables: Flowable) -> Flowable:
    """Things that stay on one page."""
    return KeepTogether(list(flowables))


def new_page() -> Flowable:
    """Break to the next page."""
    return PageBreak()


def document(story: Sequence[Flowable], *, name: str, paper: str) -> bytes:
    """PDF of a document, with its name and page numbers at the foot of every page.

    Parameters
    ----------
    story
        What stands in it, in order.
    name
        Title of the document, printed at the foot and kept in the file.
    paper
        ``a4`` or ``letter``.

    Returns
    -------
    bytes
        The file. The same story gives the same bytes.
    """
    size = PAPERS[paper]
    data = io.BytesIO()
    side = (size[0] - WIDTH) / 2
    template = SimpleDocTemplate(
        data,
        pagesize=size,
        leftMargin=side - 6,
        rightMargin=side - 6,
        topMargin=_MARGIN_MM * mm,
        bottomMargin=16 * mm,
        title=name,
        author="gridtools",
        invariant=1,
    )
    template.build(list(story), canvasmaker=_numbered(name, side))
    return data.getvalue()


def _numbered(name: str, side: float) -> type[Canvas]:
    """Canvas that writes the foot of every page once their number is known."""

    class Numbered(Canvas):
        def __init__(self, *args: Any, **options: Any) -> None:
            super().__init__(*args, **options)
            self._done: list[dict[str, Any]] = []

        def showPage(self) -> None:  # noqa: N802 - reportlab's name
            self._done.append(dict(self.__dict__))
            self._startPage()  # type: ignore[attr-defined]

        def save(self) -> None:
            for number, state in enumerate(self._done, start=1):
                self.__dict__.update(state)
                self.setFont(PLAIN, 7.5)
                of = f"page {number} of {len(self._done)}"
                self.drawRightString(side + WIDTH, 9 * mm, of)
                foot = Paragraph(escaped(_short(name)), _style(7.5))
                foot.wrap(WIDTH - 40 * mm, 12)
                foot.drawOn(self, side, 8.2 * mm)
                super().showPage()
            super().save()

    return Numbered


def _short(words: str, most: int = 90) -> str:
    return words if len(words) <= most else words[: most - 1] + "…"
