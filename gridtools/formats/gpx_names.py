"""Names that fit a GPS unit, and telling them again when they come back."""

import re
from collections.abc import Iterator, Sequence

from gridtools.errors import InputError

# Every GPX element of ours says so in its type.
OWN_TYPE = "gridtools "
_SHORTEST = 3


def shorten_names(names: Sequence[str], limit: int | None) -> list[str]:
    """Names of at most `limit` characters, unique, and as like the old ones as that allows.

    Names that fit stay. Others lose their hyphens, else the zeros that pad their numbers, else
    their beginning; the last resort is a count.

    Raises
    ------
    InputError
        If so many names cannot be told apart in so few characters.

    Examples
    --------
    >>> shorten_names(["1-003s", "1-003as", "C001"], 6)
    ['1-003s', '1003as', 'C001']
    """
    if limit is None:
        return list(names)
    if limit < 1 or len(str(len(names))) > limit:
        raise InputError(
            f"{len(names):,} names cannot be told apart in {limit} characters: allow more"
        )
    used = {name for name in names if len(name) <= limit}
    out = []
    for name in names:
        short = name
        if len(name) > limit:
            short = next(s for s in _shorter(name, limit) if s not in used)
            used.add(short)
        out.append(short)
    return out


def _shorter(name: str, limit: int) -> Iterator[str]:
    squeezed = re.sub(r"[^0-9A-Za-z]", "", name)
    for text in (squeezed, _unpadded(name)):
        if 0 < len(text) <= limit:
            yield text
    yield squeezed[-limit:]
    for count in range(10**limit):
        number = str(count)
        yield squeezed[: limit - len(number)] + number


def is_name_of(short: str, name: str) -> bool:
    """Whether a name read from a unit may stand for one that was sent.

    Examples
    --------
    >>> is_name_of("1003AS", "1-003as"), is_name_of("003", "1-003")
    (True, False)
    """
    a, b = (re.sub(r"[^0-9a-z]", "", text.lower()) for text in (short, name))
    if not a:
        return False
    if a == b or _unpadded(short.lower()) == _unpadded(name.lower()):
        return True
    # A bare number is more likely the unit's own count than the end of a name.
    return len(a) >= _SHORTEST and not a.isdigit() and b.endswith(a)


def _unpadded(name: str) -> str:
    return re.sub(r"(?<!\d)0+(?=\d)", "", re.sub(r"\s", "", name))
