"""Lateral range curves as rows of a job."""

import json

from gridtools.errors import InputError
from gridtools.layers import SweepWidths
from gridtools.sensor.curves import Curve, curve_of


def stored_curve(row: SweepWidths) -> Curve:
    """Curve of one row that names its law.

    Raises
    ------
    InputError
        If the row does not hold a curve.

    Examples
    --------
    >>> row = SweepWidths.build(curve_id=["W001"], kind="half-normal", width_m=4.0,
    ...     parameters='{"peak": 0.9}')
    >>> stored_curve(row)
    HalfNormal(sweep_width_m=4.0, peak=0.9)
    """
    try:
        shape = dict(json.loads(row.parameters[0] or "{}"))
        return curve_of(row.kind[0], float(row.width_m[0]), **shape)
    except (TypeError, ValueError) as error:
        raise InputError(
            f"layer sweep_widths, {row.curve_id[0]}: holds no lateral range curve ({error})"
        ) from error


def low_curve_text(curve: Curve) -> str:
    """Worst curve allowed, as a row keeps it.

    Examples
    --------
    >>> from gridtools.sensor.curves import HalfNormal
    >>> row = SweepWidths.build(curve_id=["W001"], low_curve=low_curve_text(HalfNormal(3.0)))
    >>> stored_low_curve(row)
    HalfNormal(sweep_width_m=3.0, peak=1.0)
    """
    shape = {"kind": curve.kind, "width_m": curve.sweep_width_m, **curve.parameters}
    return json.dumps(shape, sort_keys=True)


def stored_low_curve(row: SweepWidths) -> Curve | None:
    """Worst curve allowed of one row, None where it keeps none.

    Raises
    ------
    InputError
        If the row holds something else.
    """
    if not row.low_curve[0]:
        return None
    try:
        shape = dict(json.loads(row.low_curve[0]))
        return curve_of(str(shape.pop("kind")), float(shape.pop("width_m")), **shape)
    except (TypeError, ValueError, KeyError) as error:
        raise InputError(
            f"layer sweep_widths, {row.curve_id[0]}: low_curve holds no lateral range curve "
            f"({error})"
        ) from error


def assumed_law(width_m: float) -> str:
    """Sentence to print where a sweep width is known, but no curve.

    Of the published laws for parallel lanes the inverse cube law promises less than a definite
    range and more than walking at random (Washburn 2002).
    """
    return (
        f"Only a sweep width is known: the inverse cube law of {width_m:.2f} m is assumed, a "
        "published planning law."
    )
