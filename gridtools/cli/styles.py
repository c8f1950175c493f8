"""``gridtools styles``: how a GIS draws the layers."""

import click

from gridtools.cli.options import job_argument, output_options


@click.command()
@job_argument
@click.argument("folder", metavar="[DIR]", required=False)
@click.option(
    "--restore",
    is_flag=True,
    help="Make our styles the default again, as new; your own stay under their names.",
)
@output_options
def styles(path: str, folder: str | None, restore: bool, as_json: bool, quiet: bool) -> None:
    """Give every layer of the job a style, and write the styles as OGC SLD files.

    A desktop GIS that reads styles from a GeoPackage draws the layers so on opening. A layer that
    has a default style of your own keeps it, unless --restore. With DIR, each style is also
    written there as a Styled Layer Descriptor 1.0 for other GIS.
    """
    from pathlib import Path

    from gridtools.cli.output import say
    from gridtools.errors import RefusedError
    from gridtools.formats.files import read_file, write_files
    from gridtools.formats.sld import OWN_NAME, write_sld
    from gridtools.handover.styles import STYLES
    from gridtools.job import Job
    from gridtools.units import counted

    files = {}
    if folder is not None:
        files = {f"{layer.table}.sld": write_sld(layer, s) for layer, s in STYLES.items()}
        for name in files:
            there = Path(folder) / name
            if there.exists() and f"<Name>{OWN_NAME}<".encode() not in read_file(there):
                raise RefusedError(f"{there} was not written by gridtools: choose another folder")
    with Job.open(path) as job:
        given = job.missing_styles()
        if given or restore:
            with job.change("styles", {"restore": restore}) as change:
                given = change.store_styles(restore=restore)
    lines = [
        f"Gave {counted(len(given), 'layer')} our style."
        if given
        else "Every layer has a default style already."
    ]
    if folder is not None:
        write_files(folder, files)
        lines.append(f"Wrote {counted(len(files), 'SLD file')} to {folder}.")
    say({"given": given, "files": sorted(files)}, lines, as_json=as_json, quiet=quiet)
