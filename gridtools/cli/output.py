"""What commands print: the summary for people or scripts, notes on the error stream."""

import json
import math
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from gridtools.columns import Layer


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


def records(layer: "Layer") -> list[dict[str, Any]]:
    """Rows of a layer as plain values, unknown ones as None, without the geometry."""
    columns = {c.name: getattr(layer, c.name).tolist() for c in layer.columns()}
    return [
        {
            name: None if isinstance(value, float) and math.isnan(value) else value
            for name, value in zip(columns, row, strict=True)
        }
        for row in zip(*columns.values(), strict=True)
    ]


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
