"""What commands print: the summary for people or scripts, notes on the error stream."""

import json
from collections.abc import Iterable, Mapping
from typing import Any

import click


def say(
    summary: Mapping[str, Any],
    lines: Iterable[str],
    notices: Iterable[str] = (),
    *,
    as_json: bool = False,
    quiet: bool = False,
) -> None:
    """Print one command's result.

    Parameters
    ----------
    summary
        The figures, by name with their units in the name, for ``--json``.
    lines
        The same for a person.
    notices
        Assumptions, cautions and things left out: always shown, once each.
    """
    notices = tuple(dict.fromkeys(notices))
    if as_json:
        click.echo(json.dumps({**summary, "notices": notices}, indent=2, allow_nan=False))
        return
    if not quiet:
        for line in lines:
            click.echo(line)
    for notice in notices:
        click.echo(f"Note: {notice}", err=True)


def table(header: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> list[str]:
    """Lines of a plain table: first column to the left, the rest to the right."""
    body = [header, *rows]
    widths = [max(len(row[i]) for row in body) for i in range(len(header))]
    return [
        "  ".join(
            cell.ljust(width) if i == 0 else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in body
    ]
