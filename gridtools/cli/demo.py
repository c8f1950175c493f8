"""``gridtools demo``: the invented demo job, start to finish."""

import time

import click


@click.command()
@click.argument("folder", metavar="DIR")
@click.pass_context
def demo(ctx: click.Context, folder: str) -> None:
    """Build the invented Sallow Yard job in DIR and run every step of the work on it.

    DIR must be new or empty. The commands are printed as they are run, so that they can be typed
    again one by one.
    """
    from gridtools.demo.inputs import files
    from gridtools.demo.script import JOB, STEPS
    from gridtools.formats.files import make_folder, write_files

    place = make_folder(folder)
    started = time.monotonic()
    click.echo("Sallow Yard: an invented site, with invented walks. Inputs:")
    for file in write_files(place, files()):
        click.echo(f"  {file}")
    group = ctx.parent.command if ctx.parent else ctx.command
    for step in STEPS:
        click.echo(f"\n# {step.why}\n$ {step.line}")
        assert isinstance(group, click.Group)
        status = group.main(step.arguments(place), prog_name="gridtools", standalone_mode=False)
        if status:
            ctx.exit(status)
    click.echo(
        f"\nDone in {time.monotonic() - started:.0f} s. Open {place / JOB} in any GIS that reads "
        "GeoPackage: each of its layers is a layer there."
    )
