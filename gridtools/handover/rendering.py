"""Templates of sheets and reports: every value is escaped, a missing one is an error."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment


def environment() -> "Environment":
    """Template environment of this package."""
    # Jinja2 takes as long to import as all the rest of a small command.
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("gridtools.handover"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
