"""Picture of test passes and of the curve fitted to them."""

import io
from typing import Any

import numpy as np

from gridtools.sensor.fit import Fit
from gridtools.sensor.trials import Trials

FORMATS = ("png", "svg")
_SEED = 3
# Colours that stay apart in print and for the colour-blind: Okabe and Ito 2008.
_BLUE, _ORANGE, _GREY = "#0072B2", "#D55E00", "#999999"


def trial_plot(trials: Trials, fit: Fit, *, title: str, image_format: str) -> bytes:
    """Picture of test passes: shares that responded, laws fitted, sweep width with its interval.

    Parameters
    ----------
    trials
        Passes.
    fit
        What was fitted to them.
    title
        What they were made over.
    image_format
        ``png`` or ``svg``.

    Returns
    -------
    bytes
        The picture, the same bytes for the same passes.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    best = fit.best
    far = float(np.abs(trials.lateral_m).max()) * 1.05
    with mpl.rc_context({"svg.hashsalt": "gridtools", "font.size": 10}):
        figure: Any = Figure(figsize=(8.0, 5.4), layout="constrained")
        axes = figure.add_subplot()
        axes.axvspan(-fit.high_m / 2, fit.high_m / 2, color=_BLUE, alpha=0.08, lw=0)
        axes.axvspan(-fit.low_m / 2, fit.low_m / 2, color=_BLUE, alpha=0.12, lw=0)
        x = np.linspace(-far, far, 801)
        for other in fit.laws[:0:-1]:
            axes.plot(x, other.law.probability(x), color=_GREY, lw=0.8)
        if len(fit.laws) > 1:
            axes.plot([], [], color=_GREY, lw=0.8, label="the other laws")
        axes.plot(x, best.law.probability(x), color=_BLUE, lw=2.2, label=f"{best.law.kind} law")
        _shares(axes, trials)
        _passes(axes, trials)
        axes.annotate(
            "",
            (-best.width_m / 2, 0.5),
            (best.width_m / 2, 0.5),
            arrowprops={"arrowstyle": "<->", "shrinkA": 0, "shrinkB": 0, "lw": 1.2},
        )
        axes.text(0, 0.52, f"sweep width {best.width_m:.2f} m", ha="center", va="bottom",
                  bbox={"facecolor": "white", "alpha": 0.8, "lw": 0})  # fmt: skip
        axes.set(
            xlim=(-far, far),
            ylim=(-0.12, 1.12),
            xlabel="distance of the test piece abeam of the pass, m (right of the walker positive)",
            ylabel="chance that a pass responds",
            title=f"{title}\nsweep width {best.width_m:.2f} m, 90 % interval {fit.low_m:.2f} "
            f"to {fit.high_m:.2f} m (shaded), {len(trials)} test passes",
        )
        axes.set_yticks(np.linspace(0, 1, 6))
        axes.grid(alpha=0.25)
        figure.legend(loc="outside lower center", ncols=3, frameon=False)
        out = io.BytesIO()
        undated = {"Date": None} if image_format == "svg" else {"Software": None}
        figure.savefig(out, format=image_format, dpi=150, metadata=undated)
    return out.getvalue()


def _passes(axes: Any, trials: Trials) -> None:
    """Every pass as a tick: above for a response, below for none."""
    scatter = np.random.default_rng(_SEED).uniform(-0.03, 0.03, len(trials))
    for hit, level, mark in ((True, 1.06, "responded"), (False, -0.06, "stayed silent")):
        these = trials.responded == hit
        axes.plot(
            trials.lateral_m[these],
            level + scatter[these],
            "o" if hit else "x",
            color=_ORANGE,
            ms=4,
            alpha=0.7,
            label=mark,
        )


def _shares(axes: Any, trials: Trials) -> None:
    """Share that responded, passes in groups from left to right, with its 90 % interval."""
    order = np.argsort(trials.lateral_m, kind="stable")
    for group in np.array_split(order, max(1, len(order) // 5)):
        n, hits = len(group), int(trials.responded[group].sum())
        at = float(np.mean(trials.lateral_m[group]))
        low, high = _wilson(hits, n)
        axes.plot([at, at], [low, high], color="black", lw=0.8)
        axes.plot(at, hits / n, "s", color="black", ms=4)
    axes.plot([], [], "s-", color="black", ms=4, lw=0.8, label="share of some five passes, 90 %")


def _wilson(hits: int, n: int) -> tuple[float, float]:
    """90 % interval of a share (Wilson 1927)."""
    z = 1.645
    middle = (hits + z**2 / 2) / (n + z**2)
    half = z * np.sqrt(hits * (n - hits) / n + z**2 / 4) / (n + z**2)
    return float(middle - half), float(middle + half)
