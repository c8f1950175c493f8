"""Chosen parameters of a job, with where they came from."""

import math
from dataclasses import dataclass

from gridtools.errors import InputError, quote

BASES = ("given", "measured", "assumed")


@dataclass(frozen=True)
class Setting:
    """One parameter.

    Attributes
    ----------
    value
        What was chosen; the job file stores it as text.
    unit
        Unit of the value, empty if it has none.
    basis
        Where it came from: given, measured or assumed.

    Examples
    --------
    >>> Setting(2.0, "m", "assumed").number
    2.0
    """

    value: str | float
    unit: str = ""
    basis: str = "given"

    def __post_init__(self) -> None:
        if self.basis not in BASES:
            raise InputError(f"a setting is {', '.join(BASES)}: not {quote(self.basis)}")
        if isinstance(self.value, float) and not math.isfinite(self.value):
            raise InputError(f"a setting cannot be {self.value}")

    @property
    def text(self) -> str:
        """Value as stored: a number reads back as the same number."""
        if isinstance(self.value, str | int):
            return str(self.value)
        return repr(float(self.value))  # numpy writes its own numbers another way

    @property
    def number(self) -> float:
        """Value as a number.

        Raises
        ------
        InputError
            If it is not one.
        """
        try:
            number = float(self.value)
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            raise InputError(f"the setting {quote(self.value)} is not a number: set it again")
        return number
