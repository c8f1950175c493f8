"""Parameters that one command stores and others use."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from gridtools.job import Job


def stored(job: "Job", key: str) -> float | None:
    """Number that the job keeps under a key, or None."""
    setting = job.setting(key)
    return None if setting is None else setting.number


def wanted(given: float | None, job: "Job", key: str, option: str) -> float:
    """Number given on the command line, else the one that the job keeps.

    Raises
    ------
    MissingError
        If there is neither; there is no default for it.
    """
    from gridtools.errors import MissingError

    found = stored(job, key) if given is None else given
    if found is None:
        raise MissingError(f"{job.path} has no {key}: give {option}")
    return found


def sweep_basis(given: float | None, job: "Job") -> str:
    """Where the sweep width in use came from: given now, or as the job says."""
    setting = job.setting("sweep_width_m")
    if setting is None or (given is not None and given != setting.number):
        return "given"
    return setting.basis


def stale_notices(job: "Job", *layers: str) -> list[str]:
    """Sentences on layers about to be used that were made from something changed since."""
    return [
        f"layer {layer} was made before {', '.join(why)} changed: make it again"
        for layer, why in job.stale().items()
        if layer in layers
    ]
