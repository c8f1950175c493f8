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

from gridtools.errors import InputError, quote

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
            f"{quote(name)} is not a time zone: give its name as in Europe/Berlin or UTC"
        ) from error


def one_time(text: str, zone: ZoneInfo | None) -> np.datetime64:
    """Time in UTC from a text, in a zone where it states none.

    Raises
    ------
    InputError
        If it cannot be read, or states no zone and there is none to take.

    Examples
    --------
    >>> str(one_time("2026-06-01T09:30", ZoneInfo("Europe/Berlin")))
    '2026-06-01T07:30:00.000'
    """
    times, naive, bad = parse_times([text])
    if bad[0] or not text.strip():
        raise InputError(f"{quote(text)} is not a time as in 2026-06-01T09:30:15Z")
    if naive[0]:
        if zone is None:
            raise InputError(
                f"the time {text} has no zone: give --tz, for example --tz Europe/Berlin"
            )
        times, unclear = to_utc(times, zone)
        if unclear[0]:
            raise InputError(f"clocks in {zone.key} changed over {text}: write the zone")
    return np.datetime64(times[0])


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
    dtype = f"S{min(max(map(len, texts)), _LONGEST) + 1}"
    try:
        packed = np.array(texts, dtype=dtype)
    except UnicodeEncodeError:
        packed = np.array([t.encode("ascii", "replace") for t in texts], dtype=dtype)
    packed = np.char.strip(packed) if _has_spaces(packed) else packed
    empty = packed == b""
    packed[np.char.str_len(packed) > _LONGEST] = b"?"  # cut short, so not to be trusted
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
    """Times, naive and readable of rows of bytes (n, width), zero padded, in the full form."""
    columns = np.ascontiguousarray(letters.T)
    value = columns - np.uint8(ord("0"))  # wraps round below 0, so that only digits are below 10
    good = np.ones(columns.shape[1], dtype=np.bool_)
    for column in _DIGITS:
        good &= value[column] <= 9
    for column, mark in ((4, "-"), (7, "-"), (13, ":"), (16, ":")):
        good &= columns[column] == ord(mark)
    good &= np.isin(columns[10], [ord("T"), ord("t"), ord(" ")])

    def number(*places: int) -> NDArray[np.int64]:
        total = np.zeros(len(good), dtype=np.int64)
        for place in places:
            total *= 10
            total += value[place]
        return total

    year, month, day = number(0, 1, 2, 3), number(5, 6), number(8, 9)
    hour, minute, second = number(11, 12), number(14, 15), number(17, 18)
    good &= (year >= 1) & (month >= 1) & (month <= 12) & (day >= 1)
    good &= (hour <= 23) & (minute <= 59) & (second <= 60)
    months = (np.where(good, (year - 1970) * 12 + month - 1, 0)).astype("datetime64[M]")
    first = months.astype("datetime64[D]")
    good &= day <= ((months + 1).astype("datetime64[D]") - first).astype(np.int64)

    thousandths, width = _fraction(columns[_WIDTH:])
    offset, naive, zoned = _zones(letters[:, _WIDTH:], width)
    good &= zoned & (width != 1)  # a point without digits is no fraction
    milliseconds = ((hour * 60 + minute - offset) * 60 + second) * 1000 + thousandths
    days = first + (day - 1).astype("timedelta64[D]")
    times = days.astype("datetime64[ms]") + milliseconds.astype("timedelta64[ms]")
    return times, naive & good, good


def _fraction(columns: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Thousandths of a second, and how many columns the fraction takes, its point included."""
    inside = (columns[0] == ord(".")) | (columns[0] == ord(","))
    width = inside.astype(np.int64)
    thousandths = np.zeros(len(inside), dtype=np.int64)
    weight = 100
    for column in columns[1:]:
        if not inside.any():
            break
        digit = column - np.uint8(ord("0"))
        inside = inside & (digit <= 9)
        thousandths += np.where(inside, digit, 0).astype(np.int64) * weight
        width += inside
        weight //= 10
    return thousandths, width


def _zones(
    tail: NDArray[np.uint8], start: NDArray[np.int64]
) -> tuple[NDArray[np.int64], Mask, Mask]:
    """Minutes east of UTC, naive and readable of the zones that begin at a column of each row."""
    width = tail.shape[1]
    if start.any():
        columns = start[:, None] + np.arange(_ZONE_WIDTH + 1)
        zone = np.take_along_axis(tail, np.minimum(columns, width - 1), axis=1)
        zone[columns >= width] = 0
    else:
        zone = tail[:, : _ZONE_WIDTH + 1]
    if (zone == zone[:1]).all():  # as in nearly every log
        kinds, which = zone[:1], np.zeros(len(zone), dtype=np.intp)
    else:
        kinds, which = np.unique(zone, axis=0, return_inverse=True)
    offset, known = np.array([_offset(kind.tobytes().rstrip(b"\0")) for kind in kinds]).T
    naive = np.array([not kind.any() for kind in kinds])
    return offset[which], naive[which], (known > 0)[which]


# Minutes; XML Schema part 2, dateTime: time zones reach from -14:00 to +14:00.
_WIDEST_ZONE = 14 * 60


def _offset(zone: bytes) -> tuple[int, bool]:
    """Minutes east of UTC, and whether the zone can be read."""
    match = re.fullmatch(rb"(?:[Zz]?|([+-])(\d{2}):?([0-5]\d)?)", zone)
    if match is None:
        return 0, False
    sign, hours, minutes = match.groups()
    size = int(hours or 0) * 60 + int(minutes or 0)
    return (-size if sign == b"-" else size), size <= _WIDEST_ZONE


def _any_form(text: str) -> tuple[np.datetime64, bool, bool]:
    if not _RARE.fullmatch(text):
        return NAT, False, True
    try:
        moment = datetime.fromisoformat(text)
        naive = moment.tzinfo is None
        if abs(moment.utcoffset() or timedelta()) > timedelta(minutes=_WIDEST_ZONE):
            return NAT, False, True
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
