"""Blocks of plain track points in GPX, read without a call of Python for each of their elements.

A log of a million fixes is nearly all track points of one plain form. A block that holds nothing
else need not go through expat: one element that stands for it does, in its place. What expat
would have passed over (in a comment, say, or in extensions) it still passes over, what namespace
the points have the element has too, and lines keep their numbers.
"""

import re
from collections.abc import Iterator
from typing import Any

#: Latitudes, longitudes and times of the points of a block, as texts.
PlainTexts = tuple[list[str | Any], list[str | Any], list[str | Any]]
#: Attribute of the element that stands for a block; no unit writes one of this name.
STANDS_IN = "gridtools-block"

# Numbers, a time and white space, with nothing in it that would mean something else inside a
# comment, a CDATA section or a processing instruction.
_SPACE = r"[ \t\r\n]*+"
_FIGURES = (
    r"(?:<(ele|magvar|geoidheight|fix|sat|[hvp]dop|course|speed)>[0-9A-Za-z.+]*+-?[0-9.]*+</\{}>"
    + _SPACE
    + ")*+"
)
_PLAIN_POINT = re.compile(
    r'<trkpt lat="(-?[0-9.]++)" lon="(-?[0-9.]++)">'
    + _SPACE
    + _FIGURES.format(3)
    + r"<time>([0-9]++-[0-9]++-[0-9]++T[0-9:.]++Z)</time>"
    + _SPACE
    + _FIGURES.format(5)
    + "</trkpt>"
    + _SPACE
)
_PARTS = _PLAIN_POINT.groups + 1
_ELEMENT = f'<trkpt {STANDS_IN}=""/>'.encode()
_POINT, _SEGMENT_END = b"<trkpt ", b"</trkseg>"
_NONE: PlainTexts = ([], [], [])


def blocks(data: bytes, size: int) -> Iterator[tuple[bytes | memoryview, PlainTexts]]:
    """Pieces of a GPX file to parse one after the other, and the points that each stands for.

    Parameters
    ----------
    data
        Bytes of the file.
    size
        About the length of a piece in bytes.

    Examples
    --------
    >>> point = b'<trkpt lat="51.2" lon="7.1"><time>2026-06-01T09:30:15Z</time></trkpt>'
    >>> pieces = list(blocks(b"<trkseg>" + point + b"</trkseg>", 1000))
    >>> [bytes(piece) for piece, _ in pieces]
    [b'<trkseg>', b'<trkpt gridtools-block=""/>', b'</trkseg>']
    >>> pieces[1][1]
    (['51.2'], ['7.1'], ['2026-06-01T09:30:15Z'])
    """
    view = memoryview(data)
    bulk = STANDS_IN.encode() not in data and not _point_in_text(data)
    start = 0
    while start < len(data):
        at_point = bulk and data.startswith(_POINT, start)
        stop = start + size
        if at_point:  # up to another point, or the end of the segment
            stop = _found(data, _POINT, stop, stop + size)
            stop = _found(data, _SEGMENT_END, start, stop)
        elif bulk:
            stop = _found(data, _POINT, start, stop)
        piece = view[start:stop]
        plain = _plain_texts(piece) if at_point else None
        if plain is None:
            yield piece, _NONE
        else:
            lines = data.count(b"\n", start, stop)
            if returns := data.count(b"\r", start, stop):
                lines += returns - data.count(b"\r\n", start, stop)
            yield _ELEMENT + b"\n" * lines, plain
        start = stop


def _point_in_text(data: bytes) -> bool:
    """Whether a CDATA section holds a point, so that it is part of a text."""
    start = data.find(b"<![CDATA[")
    while start >= 0:
        stop = data.find(b"]]>", start)
        if stop < 0 or data.find(_POINT, start, stop) >= 0:
            return True
        start = data.find(b"<![CDATA[", stop)
    return False


def _found(data: bytes, mark: bytes, start: int, stop: int) -> int:
    """Where a mark is found first, else `stop`."""
    place = data.find(mark, start, stop)
    return stop if place < 0 else place


def _plain_texts(piece: memoryview) -> PlainTexts | None:
    """Texts of a piece that holds nothing but plain points, else None."""
    # Latin-1 takes any bytes, and what is matched is ASCII.
    text = str(piece, "latin-1")
    if not _PLAIN_POINT.match(text):
        return None
    parts = _PLAIN_POINT.split(text)
    if any(parts[::_PARTS]):
        return None
    return parts[1::_PARTS], parts[2::_PARTS], parts[4::_PARTS]
