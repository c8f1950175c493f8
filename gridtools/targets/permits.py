"""Leave to dig: which kinds the job requires, and which of them hold on a day."""

from collections.abc import Sequence
from datetime import date, datetime, time

import numpy as np

from gridtools.errors import InputError, quote
from gridtools.layers import Permits
from gridtools.targets.identity import next_number, not_known

KINDS = ("landowner", "services", "heritage", "ecology", "other")


def parse_kinds(text: str) -> tuple[str, ...]:
    """Kinds of permit from a list with commas; ``none`` is no kind.

    Raises
    ------
    InputError
        If there is no such kind.

    Examples
    --------
    >>> parse_kinds("landowner, services"), parse_kinds("none")
    (('landowner', 'services'), ())
    """
    words = [word.strip().lower() for word in text.split(",") if word.strip()]
    if words == ["none"]:
        return ()
    for word in words:
        _check_kind(word)
    return tuple(kind for kind in KINDS if kind in words)


def parse_permit(text: str) -> Permits:
    """One permit from ``KIND,REFERENCE,FROM,TO``, with dates as in 2026-06-01.

    A permit holds from the beginning of its first day to the end of its last one; without TO it
    holds until it is withdrawn.

    Raises
    ------
    InputError
        If a part is missing or cannot be read.

    Examples
    --------
    >>> permit = parse_permit("services,T-4711,2026-06-01,2026-06-14")
    >>> permit.reference.tolist(), str(permit.to_utc[0])
    (['T-4711'], '2026-06-14T23:59:59.999')
    """
    parts = [part.strip() for part in text.split(",")]
    if len(parts) not in (3, 4) or not parts[1]:
        raise InputError(
            f"{quote(text)} is not a permit: write kind, reference, first day and last day, as in "
            "services,T-4711,2026-06-01,2026-06-14"
        )
    kind = parts[0].lower()
    _check_kind(kind)
    first = _day(parts[2], text)
    last = _day(parts[3], text) if len(parts) == 4 and parts[3] else None
    if last is not None and last < first:
        raise InputError(f"{quote(text)}: the permit ends before it begins")
    return Permits.build(
        1,
        kind=kind,
        reference=parts[1],
        from_utc=_instant(first, time.min),
        to_utc=np.datetime64("NaT", "ms") if last is None else _instant(last, time.max),
    )


def new_permits(given: Sequence[Permits], known: Permits) -> Permits:
    """Those of the permits given that the job does not have, with their ids.

    The same kind, reference and days entered twice count once.
    """
    permits = Permits.concat(list(given))
    fresh = not_known(_keys(permits), _keys(known.take(~known.struck)))
    number = next_number(known.permit_id)
    return permits.take(fresh).with_columns(
        permit_id=[f"P{number + i:03d}" for i in range(len(fresh))]
    )


def lacking(permits: Permits, kinds: Sequence[str], on: date) -> list[str]:
    """Reasons to hold, one for each kind of which no permit is valid on a day.

    Days are calendar days on the spot, as a permit states them. One without a first day is not
    valid.

    Examples
    --------
    >>> permit = parse_permit("services,T-4711,2026-06-01,2026-06-14")
    >>> lacking(permit, ["services"], date(2026, 6, 20))
    ['services permit T-4711 ended 2026-06-14']
    """
    day = np.datetime64(date(on.year, on.month, on.day), "D")
    reasons = []
    for kind in kinds:
        of_kind = permits.take((permits.kind == kind) & ~permits.struck)
        dated = ~np.isnat(of_kind.from_utc)
        # NaT compares as false: no first day is not begun, no last day is not ended.
        begun = of_kind.from_utc.astype("datetime64[D]") <= day
        valid = begun & ~(of_kind.to_utc.astype("datetime64[D]") < day)
        if valid.any():
            continue
        if begun.any():
            past = of_kind.take(begun)
            last = past.take([int(np.argmax(past.to_utc))])
            ended = last.to_utc[0].astype("datetime64[D]")
            reasons.append(f"{kind} permit {last.reference[0]} ended {ended}")
        elif dated.any():
            ahead = of_kind.take(dated)
            first = ahead.take([int(np.argmin(ahead.from_utc))])
            begins = first.from_utc[0].astype("datetime64[D]")
            reasons.append(f"{kind} permit {first.reference[0]} begins {begins}")
        elif len(of_kind):
            reasons.append(f"{kind} permit {of_kind.reference[0]} has no first day: not valid")
        else:
            reasons.append(f"no {kind} permit")
    return reasons


def _keys(permits: Permits) -> list[tuple[str, str, str, str]]:
    return list(
        zip(
            permits.kind,
            permits.reference,
            permits.from_utc.astype(str).tolist(),
            permits.to_utc.astype(str).tolist(),
            strict=True,
        )
    )


def _check_kind(word: str) -> None:
    if word not in KINDS:
        raise InputError(f"{quote(word)} is not a kind of permit: name {', '.join(KINDS)}")


def _day(text: str, whole: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(f"{quote(whole)}: {quote(text)} is not a day as in 2026-06-01") from None


def _instant(day: date, at: time) -> np.datetime64:
    return np.datetime64(datetime.combine(day, at), "ms")
