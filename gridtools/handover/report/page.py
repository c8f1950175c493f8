"""The report as one page: sections in order, style and script inside, nothing loaded."""

import base64
import hashlib

from gridtools.handover import palette
from gridtools.handover.rendering import environment
from gridtools.handover.report import finds, provenance, walk
from gridtools.handover.report.contents import Contents, Section
from gridtools.handover.report.evidence import HALF
from gridtools.handover.report.plan_map import plan_map
from gridtools.handover.report.pod_image import RAMP
from gridtools.handover.report.summary import stage, summary

#: Stands at the head of every report, and tells it from a page of another make.
GENERATOR = '<meta name="generator" content="gridtools">'


def report(contents: Contents) -> str:
    """Report on a job at any stage, as one self-contained HTML page.

    The page reads without its script, which only zooms the map and switches its layers. Its
    content security policy allows that script and its own style, by their digests, and images
    inside the page; nothing else is loaded or run.

    Parameters
    ----------
    contents
        The job.

    Returns
    -------
    str
        HTML document.

    Examples
    --------
    >>> from datetime import UTC, datetime
    >>> page = report(Contents(layers={}, name="Yard <script>", file_name="yard.gpkg",
    ...     crs_name="WGS 84 / UTM zone 31N", version="0.1.0",
    ...     made_utc=datetime(2026, 5, 4, tzinfo=UTC)))
    >>> "Yard &lt;script&gt;" in page, "Yard <script>" in page
    (True, False)
    """
    made = (
        summary(contents),
        _map_section(contents),
        walk.survey(contents),
        walk.coverage(contents),
        finds.candidates(contents),
        finds.digs(contents),
        finds.outcomes(contents),
        finds.remaining(contents),
        walk.sessions(contents),
        provenance.assumptions(contents),
        provenance.cautions(contents),
        provenance.provenance(contents),
    )
    sections = [section for section in made if section is not None]
    drawn = next((s.drawing[1] for s in sections if s.drawing and s.drawing[0] == "plan"), None)
    from markupsafe import Markup

    templates = environment()
    style = templates.get_template("report.css.j2").render(
        pixel_m=drawn.pixel_m if drawn else 1.0, p=palette, ramp=RAMP
    )
    script = templates.get_template("report.js").render()
    return templates.get_template("report.html.j2").render(
        name=contents.name,
        made=f"{contents.made_utc:%Y-%m-%d}",
        stage=stage(contents),
        sections=sections,
        half=HALF,
        generator=Markup(GENERATOR),
        # Both are our own text, with nothing of the job in them but numbers.
        style=Markup(style),
        script=Markup(script),
        style_digest=_digest(style),
        script_digest=_digest(script),
    )


def _map_section(contents: Contents) -> Section | None:
    drawn = plan_map(contents)
    if drawn is None:
        return None
    return Section(key="map", heading="Map", drawing=("plan", drawn))


def _digest(text: str) -> str:
    """Digest as a content security policy names it (W3C Content Security Policy Level 3)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
