"""Sections on how the figures came about: parameters and their basis, cautions, history."""

import json
from typing import Any

import numpy as np

from gridtools.handover import cautions as words
from gridtools.handover.report.contents import Contents, Section, Table
from gridtools.handover.report.walk import time_text
from gridtools.layers import History, Logs, Settings

MOST_ENTRIES = 200
_DIGEST = 8


def assumptions(contents: Contents) -> Section:
    """Every parameter in use, with where it came from."""
    rows = contents.of(Settings)
    # Numbers that commands keep to number lanes with are no parameters of anybody's choice.
    rows = rows.take(np.array(["_last_" not in key for key in rows.key], dtype=bool))
    order = np.argsort(rows.key.astype(str), kind="stable").tolist()
    sweep = words.sweep_statement(
        contents.number("sweep_width_m"), contents.setting("sweep_width_m")[1]
    )
    return Section(
        key="assumptions",
        heading="Parameters and assumptions",
        paragraphs=[
            f"{sweep[0].upper()}{sweep[1:]}.",
            "A parameter is given by the person in charge, measured on this ground, or assumed. "
            "What is assumed has not been tested here.",
        ],
        tables=[
            Table(
                caption="Parameters of the job",
                header=("parameter", "value", "unit", "basis", "set by", "when (UTC)"),
                rows=[
                    (
                        rows.key[i],
                        _short(rows.value[i]),
                        rows.unit[i],
                        rows.basis[i],
                        rows.set_by[i],
                        time_text(rows.set_utc[i]),
                    )
                    for i in order
                ],
                numbers=frozenset({1}),
                unbroken=frozenset({5}),
            )
        ]
        if order
        else [],
    )


def cautions(_: Contents) -> Section:
    """What has to be minded on the ground."""
    return Section(
        key="cautions",
        heading="Cautions",
        facts=[(caution.heading, caution.text) for caution in words.PRE_START],
        paragraphs=[words.STOP_RULES, words.DEFERENCE, words.NO_PROOF],
        warning=True,
    )


def provenance(contents: Contents) -> Section:
    """Logs taken in, and every change made to the job."""
    logs, history = contents.of(Logs), contents.of(History)
    kept = history.take(np.arange(max(0, len(history) - MOST_ENTRIES), len(history)))
    tables = [
        Table(
            caption="Logs taken in, kept byte for byte in the job",
            header=("log", "file", "taken in (UTC)", "SHA-256"),
            rows=[
                (logs.log_id[i], logs.name[i], time_text(logs.taken_utc[i]), logs.sha256[i])
                for i in range(len(logs))
            ],
        ),
        Table(
            caption="Changes made to the job",
            header=("entry", "command", "options", "read", "wrote", "version", "when (UTC)"),
            rows=[
                (
                    str(kept.entry[i]),
                    kept.command[i],
                    ", ".join(
                        f"{n} {_words(v)}"
                        for n, v in _pairs(kept.options[i]).items()
                        if v not in (None, "", [], False)
                    ),
                    ", ".join(f"{n} {d[:_DIGEST]}" for n, d in _pairs(kept.inputs[i]).items()),
                    ", ".join(_names(kept.outputs[i])),
                    kept.version[i],
                    time_text(kept.start_utc[i]),
                )
                for i in range(len(kept))
            ],
            unbroken=frozenset({6}),
            more=f"{len(history) - len(kept)} earlier entries are in the layer history."
            if len(history) > len(kept)
            else "",
        ),
    ]
    return Section(
        key="provenance",
        heading="Where it comes from",
        paragraphs=[
            f"Made by gridtools {contents.version} from {contents.file_name} on "
            f"{contents.made_utc:%Y-%m-%d %H:%M} UTC. What a command read is named with a short "
            "digest, so that two reports can be told to rest on the same data."
        ],
        tables=[table for table in tables if table.rows],
    )


def _pairs(text: str) -> dict[str, Any]:
    """Names and values from JSON; nothing where a hand has spoilt it."""
    try:
        pairs = json.loads(text or "{}")
    except ValueError:
        return {}
    return pairs if isinstance(pairs, dict) else {}


def _names(text: str) -> list[str]:
    try:
        names = json.loads(text or "[]")
    except ValueError:
        return []
    return [str(name) for name in names] if isinstance(names, list) else []


def _words(value: object) -> str:
    if value is True:
        return "yes"
    return _short(", ".join(map(str, value)) if isinstance(value, list) else str(value))


def _short(text: str, most: int = 60) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
