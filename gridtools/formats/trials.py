"""Test passes in: a CSV file with one pass a row; docs/sweep-width.md gives its columns."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gridtools.errors import InputError
from gridtools.formats.table import Block, decode, find_header, read_blocks
from gridtools.sensor.trials import Trials
from gridtools.units import METRES_PER_UNIT

_COLUMNS = (
    "lateral_m", "lateral_ft", "responded", "heading_deg", "depth_m", "depth_ft", "object",
    "piece",
)  # fmt: skip
_KNOWN = {**{name: name for name in _COLUMNS}, "heading": "heading_deg", "place": "piece"}
_ANSWERS = {
    "yes": "yes", "y": "yes", "1": "yes", "true": "yes",
    "no": "no", "n": "no", "0": "no", "false": "no",
}  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialTable:
    """Test passes (n,), with what each was made over.

    Attributes
    ----------
    trials
        The passes.
    object
        Object that the test piece stands for; empty where not said.
    depth_m
        Ground level to its top; NaN where not said.
    unread
        Titles of columns that were not read.
    """

    trials: Trials
    object: NDArray[np.object_]
    depth_m: NDArray[np.float64]
    unread: tuple[str, ...]

    def of(self, name: str, wanted: str | None, depth_m: float | None) -> "TrialTable":
        """Passes over one object at one depth.

        Parameters
        ----------
        name
            Name of the file, for messages.
        wanted, depth_m
            Object and depth wanted, or None where the file holds one alone.

        Raises
        ------
        InputError
            If none match, or several objects or depths do: a sweep width belongs to one.
        """
        keep = np.ones(len(self.trials), dtype=np.bool_)
        if wanted is not None and (self.object != "").any():
            keep &= self.object == wanted
        if depth_m is not None and np.isfinite(self.depth_m).any():
            keep &= np.abs(self.depth_m - depth_m) < 0.005
        there = sorted(set(self.object[self.object != ""].tolist()))
        depths = [f"{d:g}m" for d in np.unique(self.depth_m[np.isfinite(self.depth_m)])]
        if not keep.any():
            raise InputError(
                f"{name}: no test pass over that object at that depth; it has "
                f"{', '.join([*there, *depths])}"
            )
        if len(set(self.object[keep].tolist())) > 1:
            raise InputError(
                f"{name} has test passes over several objects ({', '.join(there)}): choose one "
                "with --object"
            )
        if len(np.unique(self.depth_m[keep])) > 1:
            raise InputError(
                f"{name} has test passes at several depths ({', '.join(depths)}): choose one "
                "with --depth"
            )
        t = self.trials
        return TrialTable(
            trials=Trials(
                lateral_m=t.lateral_m[keep],
                responded=t.responded[keep],
                heading_deg=t.heading_deg[keep],
                piece=t.piece[keep],
            ),
            object=self.object[keep],
            depth_m=self.depth_m[keep],
            unread=self.unread,
        )


def read_trials(data: bytes, name: str) -> TrialTable:
    r"""Test passes from the bytes of a CSV file.

    Raises
    ------
    InputError
        If a column is missing or a value cannot be read: names row and column.

    Examples
    --------
    >>> table = read_trials(b"lateral_m,responded\n-1.5,yes\n4,no\n", "trials.csv")
    >>> table.trials.lateral_m.tolist(), table.trials.responded.tolist()
    ([-1.5, 4.0], [True, False])
    """
    text = decode(data, name)
    header = find_header(text, name, _KNOWN)
    has = set(header.columns)
    if "responded" not in has or not has & {"lateral_m", "lateral_ft"}:
        titles = ", ".join([*header.columns, *header.unread])
        raise InputError(
            f"{name}: its header ({titles}) lacks lateral_m or responded; name the columns so"
        )
    tables = [_table(block, header.unread) for block in read_blocks(text, name, header)]
    return TrialTable(
        trials=Trials(
            **{
                column: np.concatenate([getattr(t.trials, column) for t in tables])
                for column in ("lateral_m", "responded", "heading_deg", "piece")
            }
        ),
        object=np.concatenate([t.object for t in tables]),
        depth_m=np.concatenate([t.depth_m for t in tables]),
        unread=header.unread,
    )


def _table(block: Block, unread: tuple[str, ...]) -> TrialTable:
    lateral = _metres(block, "lateral")
    column = "lateral_ft" if "lateral_ft" in block.cells else "lateral_m"
    block.fail("no lateral distance", np.isnan(lateral), column)
    return TrialTable(
        trials=Trials(
            lateral_m=lateral,
            responded=block.words("responded", _ANSWERS) == "yes",
            heading_deg=block.numbers("heading_deg"),
            piece=block.texts("piece"),
        ),
        object=block.texts("object"),
        depth_m=_metres(block, "depth"),
        unread=unread,
    )


def _metres(block: Block, what: str) -> NDArray[np.float64]:
    if f"{what}_ft" in block.cells:
        return np.asarray(block.numbers(f"{what}_ft") * METRES_PER_UNIT["ft"])
    return block.numbers(f"{what}_m")
