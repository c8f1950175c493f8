"""Titles of columns for people, from the names that the tables give them."""

_UNITS = {
    "m": "m", "m2": "m²", "m3": "m³", "deg": "°", "mps": "m/s", "utc": "UTC",
}  # fmt: skip
# Names whose plain reading would mislead or say too little.
_NAMED = {
    "pass_no": "pass",
    "seq": "walking order",
    "bearing_deg": "grid bearing (°)",
    "heading_deg": "heading (° grid)",
    "p_metal": "chance of metal",
    "sigma_m": "standard error of the position (m)",
    "offline_rms_m": "RMS distance from the lane (m)",
    "ahead_m": "coil ahead of antenna (m)",
    "right_m": "coil right of antenna (m)",
    "local_e_m": "local easting (m)",
    "local_n_m": "local northing (m)",
    "depth_sd_m": "standard error of the depth (m)",
    "semi_major_m": "longer half-axis of the error ellipse (m)",
    "semi_minor_m": "shorter half-axis of the error ellipse (m)",
    "lateral_m": "distance right of the run (m)",
    "sha256": "SHA-256",
    "slivers_m2": "area of slivers (m²)",
    "percent": "covered (%)",
    "cautious_percent": "covered, cut by fix accuracy (%)",
    "set_by": "set by",
    "hold": "on hold because",
}


def alias(column: str) -> str:
    """Title of a column, with its unit.

    Examples
    --------
    >>> alias("length_m"), alias("lane_id"), alias("true_bearing_deg"), alias("p_metal")
    ('length (m)', 'lane', 'true bearing (°)', 'chance of metal')
    """
    if column in _NAMED:
        return _NAMED[column]
    stem, _, last = column.rpartition("_")
    if stem and last == "id":
        return stem
    words = (stem if stem and last in _UNITS else column).replace("_", " ")
    return f"{words} ({_UNITS[last]})" if stem and last in _UNITS else words
