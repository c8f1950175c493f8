"""What each layer was made from, and what of it has changed since."""

import json
from collections.abc import Iterable
from typing import Any

from gridtools.columns import Layer
from gridtools.errors import InputError
from gridtools.job.connection import clear_errors
from gridtools.job.store import Store
from gridtools.layers import ALL_LAYERS, Fixes

_SETTING = "setting:"
_LAYERS = {layer.table: layer for layer in ALL_LAYERS}
# A digest of a million rows takes seconds at every change. When they last changed tells as much,
# but for an edit that was taken back.
_UNDIGESTED = (Fixes,)


def source_name(source: type[Layer] | str) -> str:
    """Name under which the history keeps the digest of a layer or of a setting."""
    return f"{_SETTING}{source}" if isinstance(source, str) else source.table


def stamped_digest(store: Store, source: type[Layer] | str) -> str:
    """Digest of a layer and, after an @, when it was last changed; of a setting, the digest.

    Fixes are too many for a digest.
    """
    digest = "" if source in _UNDIGESTED else store.digest(source)
    return digest if isinstance(source, str) else f"{digest}@{store.last_change(source)}"


def stale_layers(store: Store, layers: Iterable[type[Layer]]) -> dict[str, tuple[str, ...]]:
    """Layers made from something that has changed since, with what has changed.

    A layer made from a stale one is stale too. Layers that belong to the user never are.
    """
    made_from = _made_from(store)
    digests: dict[str, str] = {}
    found: dict[str, tuple[str, ...]] = {}

    def why(table: str) -> tuple[str, ...]:
        if table not in found:
            found[table] = ()  # a layer that is its own source does not make itself stale
            found[table] = tuple(
                name.removeprefix(_SETTING)
                for name, then in sorted(made_from.get(table, {}).items())
                if name != table and (differs(name, str(then)) or why(name))
            )
        return found[table]

    def differs(name: str, then: str) -> bool:
        digest, _, stamp = then.partition("@")
        source = _LAYERS.get(name, name.removeprefix(_SETTING))
        # The time of the last change spares reading a long layer to find that nothing changed.
        if not isinstance(source, str) and stamp == store.last_change(source):
            return False
        if source in _UNDIGESTED:
            return True
        if name not in digests:
            digests[name] = store.digest(source)
        return digests[name] != digest

    return {layer.table: reasons for layer in layers if (reasons := why(layer.table))}


def _made_from(store: Store) -> dict[str, dict[str, Any]]:
    """Digests of the sources of each derived layer when it was last made."""
    with clear_errors(store.path):
        rows = store.db.execute(
            "SELECT fid, inputs, outputs FROM history ORDER BY entry, fid"
        ).fetchall()
    made_from: dict[str, dict[str, Any]] = {}
    for fid, inputs, outputs in rows:
        try:
            sources, tables = dict(json.loads(inputs or "{}")), list(json.loads(outputs or "[]"))
        except (TypeError, ValueError) as error:
            raise InputError(
                f"{store.path}, layer history, fid {fid}: inputs or outputs are not as written"
            ) from error
        for table in tables:
            if table in _LAYERS and not _LAYERS[table].user_owned:
                made_from[table] = sources
    return made_from
