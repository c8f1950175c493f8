"""Lists of ids as a person reads them."""

import re


def natural(name: str) -> tuple[tuple[int, str], ...]:
    """Key that sorts 1-999 before 1-1000.

    Examples
    --------
    >>> sorted(["1-1000", "1-999", "1-003b"], key=natural)
    ['1-003b', '1-999', '1-1000']
    """
    return tuple((int(n or 0), text) for n, text in re.findall(r"(\d+)|(\D+)", name))


def spans(names: set[str], most: int = 4) -> str:
    """Ids in order, three or more consecutive ones as a span; the first of these are named.

    Examples
    --------
    >>> spans({"1-009a", "1-003", "1-004", "1-001", "1-005"})
    '1-001, 1-003 to 1-005, 1-009a'
    """
    found: list[list[str]] = []
    for name in sorted(names, key=natural):
        if found and _follows(found[-1][-1], name):
            found[-1].append(name)
        else:
            found.append([name])
    text: list[str] = []
    for span in found:
        text += [f"{span[0]} to {span[-1]}"] if len(span) > 2 else span
    more = len(text) - most
    return ", ".join(text[:most]) + (f" and {more} more" if more > 0 else "")


def _follows(before: str, after: str) -> bool:
    one, other = (re.fullmatch(r"(.*-)(\d+)", name) for name in (before, after))
    return bool(one and other and one[1] == other[1] and int(one[2]) + 1 == int(other[2]))
