"""The report: one self-contained page on a job at any stage, for people who were not there."""

from gridtools.handover.report.contents import Contents
from gridtools.handover.report.page import GENERATOR, report

__all__ = ["GENERATOR", "Contents", "report"]
