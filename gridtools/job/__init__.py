"""The job file: one GeoPackage, changed in place, one atomic change at a time."""

from gridtools.job.change import Change
from gridtools.job.create import create_job
from gridtools.job.file import Job
from gridtools.job.settings import Setting

__all__ = ["Change", "Job", "Setting", "create_job"]
