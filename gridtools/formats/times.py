"""Reading times of day and date in bulk, as logs write them.

ISO 8601 in its common forms: ``2026-06-01T09:30:15Z``, with a space for the T, with a fraction,
with ``+02:00``, or naive (no zone). Results are UTC in whole milliseconds; a finer fraction is
cut off.
"""

import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from gridtools.errors import InputError

Times = NDArray[np.datetime64]
Mask = NDArray[np.bool_]
NAT = np.datetime64("NaT", "ms")

# Columns of the fixed part "YYYY-MM-DDTHH:MM:SS".
_DIGITS = [0, 1, 2, 3, 5, 6, 8, 9, 11, 12, 14, 15, 17, 18]
_WIDTH = 19
_ZONE_WIDTH = 6
_LONGEST = 48
# Without seconds, or without separators.
_RARE = re.compile(
    r"(?:\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}|\d{8}T\d{6})(?:Z|[+-]\d{2}:?[0-5]\d)?", re.ASCII
)


def time_zone(name: str) -> ZoneInfo:
    """Time zone by its name in the IANA database, for example Europe/Berlin.

    Raises
    ------
    InputError
        If there is no such zone.
    """
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise InputError(
            f"{name!r} is not a time zone: give its name as in Europe/Berlin or UTC"
        ) from error


def parse_times(texts: Sequence[str]) -> tuple[Times, Mask, Mask]:
    """Times (n,) from texts, which of them are naive (n,), and which are unreadable (n,).

    Naive times come back as written, the others in UTC. An empty text is NaT and not unreadable.

    Examples
    --------
    >>> times, naive, bad = parse_times(["2026-06-01T09:30:15+02:00", "2026-06-01 09:30:15.25", ""])
    >>> times.astype(str).tolist()
    ['2026-06-01T07:30:15.000', '2026-06-01T09:30:15.250', 'NaT']
    >>> naive.tolist(), bad.tolist()
    ([False, True, False], [False, False, False])
    """
    count = len(texts)
    times: Times = np.full(count, NAT)
    naive = np.zeros(count, dtype=np.bool_)
    bad = np.zeros(count, dtype=np.bool_)
    if not count:
        return times, naive, bad
    width = min(max(map(len, texts)), _LONGEST)
    try:
        packed = np.array(texts, dtype=f"S{width + 1}")
    except UnicodeEncodeError:
        packed = np.array([t.encode("ascii", "replace") for t in texts], dtype=f"S{width + 1}")
    packed = np.char.strip(packed) if _has_spaces(packed) else packed
    empty = packed == b""
    room = _WIDTH + 2 + _ZONE_WIDTH
    letters = np.zeros((count, max(packed.itemsize, room)), dtype=np.uint8)
    letters[:, : packed.itemsize] = packed.view(np.uint8).reshape(count, -1)
    times, naive, good = _fixed_form(letters)
    for i in np.flatnonzero(~good & ~empty):
        # Rarer forms, such as times without seconds, one by one.
        times[i], naive[i], bad[i] = _any_form(packed[i].decode("ascii"))
    times[empty | bad] = NAT
    naive[empty | bad] = False
    return times, naive, bad


def _has_spaces(packed: NDArray[np.bytes_]) -> bool:
    letters = packed.view(np.uint8).reshape(len(packed), -1)
    last = np.take_along_axis(letters, (np.char.str_len(packed)[:, None] - 1) % letters.shape[1], 1)
    return bool(np.any(letters[:, 0] <= ord(" ")) or np.any(last <= ord(" ")))


def _fixed_form(letters: NDArray[np.uint8]) -> tuple[Times, Mask, Mask]:
    """Times, naive and readable of rows of bytes, zero padded, in the full form."""
    value = letters.astype(np.int16) - ord("0")
    digit = (value >= 0) & (value <= 9)
    good = digit[:, _DIGITS].all(axis=1)
    good &= (letters[:, 4] == ord("-")) & (letters[:, 7] == ord("-"))
    good &= np.isin(letters[:, 10], [ord("T"), ord("t"), ord(" ")])
    good &= (letters[:, 13] == ord(":")) & (letters[:, 16] == ord(":"))

    def number(*columns: int) -> NDArray[np.int64]:
        total = np.zeros(len(value), dtype=np.int64)
        for column in columns:
            total = total * 10 + value[:, column]
        return total

    year, month, day = number(0, 1, 2, 3), number(5, 6), number(8, 9)
    hour, minute, second = number(11, 12), number(14, 15), number(17, 18)
    good &= (year >= 1) & (month >= 1) & (month <= 12) & (day >= 1)
    good &= (hour <= 23) & (minute <= 59) & (second <= 60)
    months = (np.where(good, (year - 1970) * 12 + month - 1, 0)).astype("datetime64[M]")
    first = months.astype("datetime64[D]")
    last = (months + 1).astype("datetime64[D]")
    good &= day <= (last - first).astype(np.int64)

    # The fraction: a point or comma, and as many digits as follow it.
    tail = letters[:, _WIDTH:]
    pointed = (tail[:, 0] == ord(".")) | (tail[:, 0] == ord(","))
    run = np.logical_and.accumulate(digit[:, _WIDTH + 1 :], axis=1) & pointed[:, None]
    places = run.sum(axis=1)
    good &= ~pointed | (places > 0)
    thousandths = np.zeros(len(value), dtype=np.int64)
    for column, weight in enumerate((100, 10, 1)[: run.shape[1]]):
        digits = value[:, _WIDTH + 1 + column]
        thousandths += np.where(run[:, column], digits, 0).astype(np.int64) * weight

    offset, naive, zoned = _zones(tail, pointed * (places + 1))
    good &= zoned
    milliseconds = ((hour * 60 + minute) * 60 + second) * 1000 + thousandths - offset * 60_000
    days = first + (day - 1).astype("timedelta64[D]")
    times = days.astype("datetime64[ms]") + milliseconds.astype("timedelta64[ms]")
    return times, naive & good, good


def _zones(
    tail: NDArray[np.uint8], start: NDArray[np.int64]
) -> tuple[NDArray[np.int64], Mask, Mask]:
    """Minutes east of UTC, naive and readable of the zones that begin at a column of each row."""
    width = tail.shape[1]
    columns = start[:, None] + np.arange(_ZONE_WIDTH + 1)
    zone = np.where(
        columns < width, np.take_along_axis(tail, np.minimum(columns, width - 1), axis=1), 0
    ).astype(np.uint8)
    texts = np.ascontiguousarray(zone).view(f"S{_ZONE_WIDTH + 1}").ravel()
    kinds, which = np.unique(texts, return_inverse=True)
    offsets = np.zeros(len(kinds), dtype=np.int64)
    known = np.ones(len(kinds), dtype=np.bool_)
    for i, kind in enumerate(kinds.tolist()):
        if kind in (b"", b"Z", b"z"):
            continue
        plain = kind[1:].replace(b":", b"")
        known[i] = (
            kind[:1] in (b"+", b"-")
            and plain.isdigit()
            and len(kind) in (3, 5, 6)
            and (len(kind) < 6 or kind[3:4] == b":")
            and (len(plain) == 2 or (len(plain) == 4 and plain[2:] < b"60"))
        )
        if known[i]:
            size = int(plain[:2]) * 60 + int(plain[2:] or 0)
            offsets[i] = -size if kind[:1] == b"-" else size
    return offsets[which], (kinds == b"")[which], known[which]


def _any_form(text: str) -> tuple[np.datetime64, bool, bool]:
    if not _RARE.fullmatch(text):
        return NAT, False, True
    try:
        moment = datetime.fromisoformat(text)
        naive = moment.tzinfo is None
        utc = moment.replace(tzinfo=UTC) if naive else moment.astimezone(UTC)
    except (ValueError, OverflowError):
        return NAT, False, True
    return np.datetime64(utc.replace(tzinfo=None), "ms"), naive, False


def to_utc(local: Times, zone: ZoneInfo) -> tuple[Times, Mask]:
    """UTC (n,) of local times (n,), and which of them (n,) cannot be told.

    A local time cannot be told when clocks were put forward over it (it never was) or back (it
    was twice).

    Examples
    --------
    >>> local = np.array(["2026-06-01T09:30", "2026-10-25T02:30"], dtype="datetime64[ms]")
    >>> utc, unclear = to_utc(local, ZoneInfo("Europe/Berlin"))
    >>> utc.astype(str).tolist(), unclear.tolist()
    (['2026-06-01T07:30:00.000', '2026-10-25T01:30:00.000'], [False, True])
    """
    # Zones change their offset on whole minutes, so each minute is looked up once.
    minutes, which = np.unique(local.astype("datetime64[m]"), return_inverse=True)
    offsets = np.zeros(len(minutes), dtype="timedelta64[ms]")
    unclear = np.zeros(len(minutes), dtype=np.bool_)
    for i, minute in enumerate(minutes.tolist()):
        if minute is None:
            continue
        early, late = (
            minute.replace(tzinfo=zone, fold=fold).utcoffset() or timedelta() for fold in (0, 1)
        )
        offsets[i] = np.timedelta64(round(late / timedelta(milliseconds=1)), "ms")
        unclear[i] = early != late
    return local.astype("datetime64[ms]") - offsets[which], unclear[which]
