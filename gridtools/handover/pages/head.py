"""What every page of a job says at its head."""

from dataclasses import dataclass

import numpy as np

from gridtools.handover import cautions
from gridtools.units import format_length


@dataclass(frozen=True, kw_only=True)
class Head:
    """What every page of a job says at its head.

    Attributes
    ----------
    job_name, crs_name
        Names of the job and of its CRS.
    spacing_m, sweep_width_m
        Lane spacing and sweep width in metres; None where not set.
    sweep_basis
        ``measured``, ``given`` or ``assumed``: anything but measured is printed as not tested.
    paper
        ``a4`` or ``letter``: a key of `layout.PAPERS`.
    """

    job_name: str
    crs_name: str
    spacing_m: float | None = None
    sweep_width_m: float | None = None
    sweep_basis: str = ""
    paper: str = "a4"

    @property
    def sweep(self) -> str:
        """Sweep width and how far it is known, as a sentence begins."""
        words = cautions.sweep_statement(self.sweep_width_m, self.sweep_basis)
        return words[0].upper() + words[1:]

    @property
    def spacing(self) -> str:
        """Lane spacing in words."""
        if self.spacing_m is None or not np.isfinite(self.spacing_m):
            return "lane spacing not set"
        return f"lane spacing {format_length(self.spacing_m)}"
