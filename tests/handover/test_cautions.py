import math
import re

import pytest

from gridtools.handover import cautions


@pytest.mark.parametrize("basis", ["given", "assumed", ""])
def test_sweep_statement__not_tested_unless_measured(basis):
    assert "sweep width assumed, not tested" in cautions.sweep_statement(4.0, basis)


def test_sweep_statement__measured():
    said = cautions.sweep_statement(3.6, "measured")
    assert "measured by test passes" in said
    assert "3.60 m" in said
    assert "assumed" not in said


@pytest.mark.parametrize("unknown", [None, math.nan])
def test_sweep_statement__not_set(unknown):
    assert cautions.sweep_statement(unknown, "measured") == "sweep width not set"


@pytest.mark.parametrize(
    "subject",
    [
        "metal off the person", "function and ground check", "pacemaker", "pump", "stimulator",
        "doctor", "working alone", "lightning", "heat", "livestock", "traffic", "buried services",
        "recognise", "retreat", "report", "do not touch",
    ],
)  # fmt: skip
def test_pre_start__names_each_hazard(subject):
    text = " ".join(f"{c.heading}. {c.text}" for c in cautions.PRE_START).lower()
    assert subject in text


def test_cautions__never_call_ground_safe_or_clear():
    said = [cautions.STOP_RULES, cautions.DEFERENCE, cautions.NO_PROOF]
    said += [f"{c.heading} {c.text}" for c in cautions.PRE_START]
    assert not re.search(r"\b(safe|clear)", " ".join(said), flags=re.IGNORECASE)
