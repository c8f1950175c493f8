"""Test passes over a test piece beside Sallow Yard, as two people with a tape would note them."""

import numpy as np
from numpy.random import RandomState

from gridtools.demo import scenario
from gridtools.demo.responses import CHANCE_ABOVE_METAL
from gridtools.sensor.passes import planned_passes


def trials_csv() -> bytes:
    """Forty passes by the printed form, over a piece that responds as the yard's metal does."""
    passes = list(planned_passes())
    dice = RandomState(scenario.TRIAL_SEED)
    planned_m = np.array([p.share for p in passes]) * scenario.TRIAL_R_M
    walked_m = np.round(planned_m + scenario.TRIAL_SD_M * dice.standard_normal(len(passes)), 2)
    ratio = walked_m / scenario.TEST_PIECE.half_reach_m
    heard = dice.random_sample(len(passes)) < CHANCE_ABOVE_METAL * np.exp(-(ratio**4))
    heading = {"A": scenario.TRIAL_HEADING_DEG, "B": (scenario.TRIAL_HEADING_DEG + 180.0) % 360.0}
    lines = [
        f"# {scenario.NAME}: test passes, invented for the demo of gridtools",
        "lateral_m,responded,heading_deg,depth_m,object",
    ]
    lines += [
        f"{x:.2f},{'yes' if hit else 'no'},{heading[p.heading]:g},"
        f"{scenario.TEST_PIECE.depth_m:g},{scenario.TEST_PIECE.name}"
        for x, hit, p in zip(walked_m.tolist(), heard.tolist(), passes, strict=True)
    ]
    return "\n".join([*lines, ""]).encode()
