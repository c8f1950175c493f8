"""Makes the reference pages and the output shown in the README.

``python tests/reference.py`` writes them.
"""

import contextlib
import re
import shlex
import tempfile
from pathlib import Path

import click
from click.testing import CliRunner

from gridtools.cli import COMMANDS, cli
from gridtools.demo.inputs import files
from gridtools.demo.script import STEPS
from gridtools.formats.files import write_files

README = Path(__file__).parent.parent / "README.md"
DOCS = README.parent / "docs"
INTRODUCTION = """\
# Commands

This page is made by `python tests/reference.py` from the commands themselves.

Lengths take units (`2m`, `6.5ft`), areas too (`0.5ha`, `4m2`); a bare number is metres, or square
metres, in every job. What is printed is in the unit of the job: feet, and square feet or
acres, in one in feet; in metres always with `--json`. `--json` prints the summary for
scripts. Exit status: 0 done; 1 the input cannot be used; 2 wrong usage; 3 done, but a check that
was asked for failed; 4 the job is busy or changed meanwhile, try again; 130 interrupted. With any
status but 0 and 3 the job is as it was.
"""


def commands_page() -> str:
    """Help of every command, in the order of the work."""
    parts = [INTRODUCTION]
    group = click.Context(cli, info_name="gridtools", **cli.context_settings)
    for name in COMMANDS:
        command = cli.get_command(group, name)
        assert command is not None
        context = click.Context(command, info_name=name, parent=group, terminal_width=100)
        parts.append(f"## {name}\n\n```\n{command.get_help(context)}\n```\n")
    return "\n".join(parts)


def layers_page() -> str:
    """Every layer and column."""
    return CliRunner().invoke(cli, ["layers", "--markdown"]).stdout


def demo_outputs() -> dict[str, str]:
    """What each command of the demo prints, by command and the log that it reads if any."""
    shown = {}
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        write_files(".", files())
        for step in STEPS:
            command, _, *rest = [str(w) for w in step.words]
            key = f"{command} {rest[0]}" if command == "record" else command
            done = CliRunner().invoke(cli, [str(w) for w in step.words], catch_exceptions=False)
            notes = "".join(f"{line}\n" for line in done.stderr.splitlines())
            shown.setdefault(key, f"$ {step.line}\n{done.stdout}{notes}")
    return shown


def readme() -> str:
    """README with the output of the demo in its marked blocks."""
    shown = demo_outputs()
    return re.sub(
        r"(<!-- demo: (.+?) -->\n```\n).*?```\n",
        lambda match: f"{match[1]}{shown[match[2]]}```\n",
        README.read_text(encoding="utf-8"),
        flags=re.DOTALL,
    )


def typed_commands(text: str) -> list[str]:
    """Command lines that a page shows."""
    return [shlex.join(shlex.split(line[2:])) for line in text.splitlines() if line[:2] == "$ "]


PAGES = {"commands.md": commands_page, "layers.md": layers_page}

if __name__ == "__main__":
    for name, make in PAGES.items():
        (DOCS / name).write_text(make(), encoding="utf-8")
    README.write_text(readme(), encoding="utf-8")
