"""``gridtools layers``: the layer reference, on the terminal and for the documentation."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from gridtools.columns import Column, Layer

_INTRODUCTION = """\
# Layers of a job

A job is one GeoPackage. This page is made by `gridtools layers --markdown`.

Lengths (`_m`) are in metres and areas (`_m2`) in square metres whatever the unit of the job's CRS;
angles (`_deg`) are degrees clockwise from grid north unless the name says otherwise; times
(`_utc`) are UTC. Unknown values are NULL. Columns marked *derived* are recomputed; columns marked
*kept* are for people to write in, and survive when a command makes the layer again.
"""


@click.command()
@click.argument("name", metavar="[LAYER]", required=False)
@click.option("--markdown", is_flag=True, help="Print the page that the documentation holds.")
def layers(name: str | None, markdown: bool) -> None:
    """Say what each layer and column of a job holds."""
    from gridtools.errors import InputError, quote
    from gridtools.layers import ALL_LAYERS

    chosen = [layer for layer in ALL_LAYERS if name in (None, layer.table)]
    if not chosen:
        known = ", ".join(layer.table for layer in ALL_LAYERS)
        raise InputError(f"there is no layer {quote(name)}: the layers are {known}")
    if markdown:
        click.echo(_INTRODUCTION)
    for layer in chosen:
        for line in _as_markdown(layer) if markdown else _as_text(layer):
            click.echo(line)


def _as_text(layer: "type[Layer]") -> Iterator[str]:
    yield f"{layer.table} ({_shape(layer)}): {layer.meaning}"
    for column in layer.columns():
        yield f"  {column.name:<21} {column.kind.value:<13} {column.meaning}{_mark(column)}"
    yield ""


def _as_markdown(layer: "type[Layer]") -> Iterator[str]:
    yield f"## {layer.table}\n"
    yield f"{layer.meaning[0].upper()}{layer.meaning[1:]}. {_shape(layer)}.\n"
    yield "| column | holds | meaning |\n| --- | --- | --- |"
    for column in layer.columns():
        yield f"| `{column.name}` | {column.kind.value} | {column.meaning}{_mark(column)} |"
    yield ""


def _shape(layer: "type[Layer]") -> str:
    maker = f"made by `{layer.made_by}`" if layer.made_by else "written by every command"
    owner = "yours" if layer.user_owned else maker
    return f"{layer.geometry_type or 'No geometry'}; {owner}"


def _mark(column: "Column") -> str:
    return " (derived)" if column.derived else " (kept)" if column.kept else ""
