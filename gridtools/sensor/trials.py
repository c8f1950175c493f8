"""Test passes over a test piece: what was walked, and whether it was detected."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gridtools.errors import InputError


@dataclass(frozen=True, kw_only=True, eq=False)
class Trials:
    """Test passes (n,).

    Attributes
    ----------
    lateral_m
        Signed distance of the piece abeam of the pass in metres, to the right positive.
    responded
        Whether the instrument gave a response that a walker would log.
    heading_deg
        Direction walked; NaN where unknown.
    piece
        Which test piece or place, where there are several; empty where unknown.
    """

    lateral_m: NDArray[np.float64]
    responded: NDArray[np.bool_]
    heading_deg: NDArray[np.float64]
    piece: NDArray[np.object_]

    def __post_init__(self) -> None:
        if not np.isfinite(self.lateral_m).all():
            raise InputError("a test pass has no lateral distance")

    @classmethod
    def build(
        cls,
        lateral_m: ArrayLike,
        responded: ArrayLike,
        heading_deg: ArrayLike = np.nan,
        piece: ArrayLike = "",
    ) -> "Trials":
        """Test passes from columns (n,); heading and piece may be one value for all."""
        lateral = np.array(lateral_m, dtype=np.float64)
        n = lateral.shape
        return cls(
            lateral_m=lateral,
            responded=np.broadcast_to(np.asarray(responded, dtype=np.bool_), n),
            heading_deg=np.broadcast_to(np.asarray(heading_deg, dtype=np.float64), n),
            piece=np.broadcast_to(np.asarray(piece, dtype=np.object_), n),
        )

    def __len__(self) -> int:
        return len(self.lateral_m)
