"""Whether GPS can hold the lanes."""

from gridtools.units import format_length

#: Fixes on neighbouring lanes mix where the error across a lane exceeds this share of the
#: spacing: at a third, a fix falls past the middle between two lanes one time in fifteen
#: (normal law, two-sided tail beyond 1.5 sigma: 0.134, one side of it towards each neighbour).
HOLDING_SHARE = 1.0 / 3.0


def spacing_notices(lane_spacing_m: float | None, fix_accuracy_m: float | None) -> tuple[str, ...]:
    """Warning where the stated GPS accuracy cannot hold the lane spacing, and what to do.

    Parameters
    ----------
    lane_spacing_m
        Lane spacing, or None if unknown.
    fix_accuracy_m
        Standard error of a fix, each axis, or None if it was not stated.

    Examples
    --------
    >>> spacing_notices(2.0, 0.5)
    ()
    >>> len(spacing_notices(2.0, 1.0))
    1
    """
    if lane_spacing_m is None or fix_accuracy_m is None:
        return ()
    if fix_accuracy_m <= HOLDING_SHARE * lane_spacing_m:
        return ()
    return (
        f"GPS accurate to {format_length(fix_accuracy_m)} (one standard error) cannot hold lanes "
        f"{format_length(lane_spacing_m)} apart, which takes "
        f"{format_length(HOLDING_SHARE * lane_spacing_m)} or better: set the lanes out with "
        "pegs and record with --positions lane, or use a better GPS",
    )
