"""The command line, one thin module per command.

A command parses, reads, makes one call into the core, writes, and says what was done. Its module
imports only click at the top, so that ``gridtools --help`` answers at once.
"""

from importlib import import_module
from typing import Any

import click

from gridtools.errors import GridtoolsError, JobBusyError

#: Commands in the order of the work, which is the order of the help page.
COMMANDS = (
    "new", "area", "spacing", "lanes", "pegs", "send", "record", "amend", "coverage",
    "candidates", "pinpoint", "digs", "outcomes", "residual", "sheets", "report", "styles",
    "archive", "status", "check", "layers", "demo",
)  # fmt: skip

EXIT_BAD_INPUT = 1
EXIT_CHECK_FAILED = 3
EXIT_BUSY = 4
EXIT_INTERRUPTED = 130


class _Failure(click.ClickException):
    """An error of ours as a message and an exit status."""

    exit_code = EXIT_BAD_INPUT


class _Busy(_Failure):
    exit_code = EXIT_BUSY


class _Commands(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = getattr(import_module(f"gridtools.cli.{cmd_name}"), cmd_name)
        return command

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except GridtoolsError as error:
            failure = _Busy if isinstance(error, JobBusyError) else _Failure
            raise failure(str(error)) from error
        except KeyboardInterrupt:
            click.echo(
                "Interrupted: the job has the whole change of this command, or none of it.",
                err=True,
            )
            ctx.exit(EXIT_INTERRUPTED)


@click.group("gridtools", cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="gridtools-field", prog_name="gridtools")
def cli() -> None:
    """Search ground on foot for large buried metal: plan, walk, prove, choose.

    One job is one GeoPackage. Every command names it first; lengths take units (2m, 6.5ft);
    a bare number is metres in every job. What is printed is in the unit of the job.
    """
