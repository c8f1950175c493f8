"""``gridtools new``: starts a job."""

import click

from gridtools.cli._ground import ground_options
from gridtools.cli.options import job_argument, output_options


@click.command()
@job_argument
@click.option("--site", required=True, metavar="FILE", help="Boundary, in any vector format.")
@click.option("--site-layer", metavar="NAME", help="Layer of that file, if it has several.")
@ground_options
@click.option("--crs", metavar="CODE", help="CRS of the job, for example EPSG:32633.")
@click.option("--name", default="", help="Name of the job; the site's own name if not given.")
@click.option("--abstract", default="", help="What the job is about, for its metadata.")
@click.option("--contact", default="", help="Who answers for the data, for its metadata.")
@click.option("--contact-email", default="", help="Where to reach them.")
@output_options
def new(
    path: str,
    site: str,
    site_layer: str | None,
    exclusions: tuple[str, ...],
    buffer_m: float,
    interferences: tuple[str, ...],
    standoff_m: float | None,
    controls: tuple[str, ...],
    crs: str | None,
    name: str,
    abstract: str,
    contact: str,
    contact_email: str,
    as_json: bool,
    quiet: bool,
) -> None:
    """Start a job from a boundary in any vector format.

    The job is a GeoPackage that any GIS opens. A boundary in longitude and latitude goes to the
    local UTM zone unless --crs names another CRS in metres or feet.
    """
    import shapely

    from gridtools.cli._ground import named, read_ground, site_lines
    from gridtools.cli.output import say
    from gridtools.formats.vector import POLYGONS, read_vector
    from gridtools.geodesy import (
        job_crs,
        lonlat_bounds,
        metric_twin,
        parse_crs,
        transform_geometry,
        unit_factor,
    )
    from gridtools.job import Setting, create_job
    from gridtools.layers import Exclusion, Interference, SearchArea, Site
    from gridtools.plan.area import area_notices, repair_polygons, search_area
    from gridtools.units import shown_in

    wanted = parse_crs(crs) if crs else None
    vector = read_vector(site, site_layer, kinds=POLYGONS, crs=wanted)
    with named(vector.name):
        bounds = lonlat_bounds(vector.crs, tuple(shapely.total_bounds(vector.geometry)))
        chosen, crs_notice = job_crs(vector.crs, bounds, wanted)
        click.get_current_context().with_resource(shown_in(unit_factor(chosen)))
        metric = metric_twin(chosen)
        outlines = transform_geometry(vector.geometry, vector.crs, metric)
        repaired = repair_polygons(outlines, vector.name)
    names = [str(vector.rows[i].get("name") or "") for i in repaired.row]
    ground = read_ground(exclusions, buffer_m, interferences, standoff_m, controls, metric)
    boundary = Site.build(geometry=repaired.geometry, name=[n or name for n in names])
    with named(vector.name):
        area = search_area(boundary, ground.exclusion, ground.interference)
    texts = {
        "name": name or next((n for n in names if n), ""),
        "abstract": abstract,
        "contact": contact,
        "contact_email": contact_email,
    }
    create_job(
        path,
        chosen,
        [boundary, ground.exclusion, ground.interference, ground.control, area],
        {key: Setting(text) for key, text in texts.items() if text},
        options={
            "site": site,
            "exclusion": exclusions,
            "interference": interferences,
            "control": controls,
            "crs": chosen.to_string(),
        },
        inputs=[Site, Exclusion, Interference],
    )
    summary, lines = site_lines(boundary, area)
    say(
        {"job": path, "crs": chosen.name, SearchArea.table: summary},
        [f"Started {path} in {chosen.name}.", *lines],
        [
            *filter(None, [crs_notice]),
            *vector.notices,
            *repaired.notices,
            *ground.notices,
            *area_notices(boundary, ground.exclusion, ground.interference, area),
        ],
        as_json=as_json,
        quiet=quiet,
    )
