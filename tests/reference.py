"""Makes the reference pages: ``python tests/reference.py`` writes them into docs/."""

from pathlib import Path

import click
from click.testing import CliRunner

from gridtools.cli import COMMANDS, cli

DOCS = Path(__file__).parent.parent / "docs"
INTRODUCTION = """\
# Commands

This page is made by `python tests/reference.py` from the commands themselves.

Lengths take units (`2m`, `6.5ft`), areas too (`0.5ha`, `4m2`). `--json` prints the summary for
scripts. Exit status: 0 done; 1 the input cannot be used; 2 wrong usage; 3 done, but a check that
was asked for failed; 4 the job is busy or changed meanwhile, try again; 130 interrupted. With any
status but 0 and 3 the job is as it was.
"""


def commands_page() -> str:
    """Help of every command, in the order of the work."""
    parts = [INTRODUCTION]
    for name in COMMANDS:
        command = cli.get_command(click.Context(cli), name)
        assert command is not None
        context = click.Context(command, info_name=f"gridtools {name}", max_content_width=100)
        context.terminal_width = 100
        parts.append(f"## {name}\n\n```\n{command.get_help(context)}\n```\n")
    return "\n".join(parts)


def layers_page() -> str:
    """Every layer and column."""
    return CliRunner().invoke(cli, ["layers", "--markdown"]).stdout


PAGES = {"commands.md": commands_page, "layers.md": layers_page}

if __name__ == "__main__":
    for name, make in PAGES.items():
        (DOCS / name).write_text(make(), encoding="utf-8")
