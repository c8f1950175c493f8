"""What the outcomes of a job teach, as figures, as lines, and as settings for the next time."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gridtools.job import Job
    from gridtools.layers import Candidates, DepthFactors, Digs, Outcomes
    from gridtools.targets.learning import PlaceErrors
    from gridtools.targets.outcomes import DigResults, Finds

#: Standard error, each axis, of the place of a find (common practice, no source).
FIND_SD_M = 0.1
#: A heading offset with a larger standard error changes nothing: candidates' own estimate from all
#: opposed hits is as good or better (stated).
LARGEST_OFFSET_ERROR_M = 0.15


@dataclass
class Lessons:
    """Figures by name, lines for a person, settings to store, and notices."""

    summary: dict[str, Any] = field(default_factory=dict)
    lines: list[str] = field(default_factory=list)
    settings: list[tuple[str, float, str]] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    changes: list[str] = field(default_factory=list)
    depth_factors: "DepthFactors | None" = None


def learn(
    job: "Job",
    outcomes: "Outcomes",
    digs: "Digs",
    results: "DigResults",
    candidates: "Candidates",
) -> Lessons:
    """All that the outcomes teach."""
    from gridtools.targets.outcomes import metal_finds

    lessons = Lessons()
    if not len(results.dig_id):
        lessons.lines.append("No outcomes yet.")
        return lessons
    finds = metal_finds(results, outcomes, digs)
    _say_results(lessons, outcomes, digs, results)
    _say_hit_rates(lessons, digs, results)
    _say_nothing(lessons, job, digs, results, candidates)
    _learn_depths(lessons, job, finds)
    _learn_places(lessons, job, finds)
    _learn_offset(lessons, job, finds)
    _say_passes(lessons, job, finds)
    lessons.lines += ["", *(f"Next time: {change}." for change in lessons.changes)]
    if not lessons.changes:
        lessons.lines.append("Next time: nothing changes yet, there is too little to go by.")
    return lessons


def _say_results(
    lessons: Lessons, outcomes: "Outcomes", digs: "Digs", results: "DigResults"
) -> None:
    import numpy as np

    from gridtools.cli.output import table

    row_of = {dig: i for i, dig in enumerate(digs.dig_id)}
    rows = []
    for i in np.flatnonzero(~outcomes.struck):
        row = row_of.get(outcomes.dig_id[i])
        stated = np.nan if row is None else digs.depth_m[row]
        rows.append(
            (
                outcomes.dig_id[i],
                outcomes.found[i],
                "yes" if outcomes.metal[i] else "no",
                _length(stated),
                _length(outcomes.depth_m[i]),
                outcomes.recheck[i] or "not made",
            )
        )
    lessons.lines += table(("dig", "found", "metal", "depth stated", "depth", "re-check"), rows)
    due = results.dig_id[results.metal & (results.recheck == "not made")].tolist()
    if due:
        lessons.lines.append(
            f"Re-check hole and spoil before filling back, and enter it: {', '.join(due)}."
        )
    more = results.dig_id[results.recheck == "responds"].tolist()
    if more:
        lessons.lines.append(f"More metal in hole or spoil, still open: {', '.join(more)}.")
    short = results.dig_id[results.short].tolist()
    if short:
        lessons.lines.append(
            f"Stopped short of the depth planned, so nothing is settled: {', '.join(short)}."
        )
    lessons.summary |= {"recheck_due": due, "more_metal": more, "short": short}


def _say_hit_rates(lessons: Lessons, digs: "Digs", results: "DigResults") -> None:
    import numpy as np

    from gridtools.targets.learning import hit_rates

    p_of = dict(zip(digs.dig_id, digs.p_metal, strict=True))
    settled = results.metal | results.nothing
    p = np.array([p_of.get(dig, np.nan) for dig in results.dig_id[settled]], dtype=np.float64)
    known = np.isfinite(p)
    bands = hit_rates(p[known], results.metal[settled][known])
    lessons.lines.append("")
    for band in bands:
        if band.digs:
            lessons.lines.append(
                f"Chance stated {band.low:.0%} to {band.high:.0%} (mean {band.stated:.0%}): "
                f"{band.metal} of {band.digs} were metal, hit rate {band.rate_low:.0%} to "
                f"{band.rate_high:.0%} (90 % interval): {band.verdict}."
            )
    lessons.summary["hit_rate"] = [
        {
            "from": band.low,
            "to": band.high,
            "digs": band.digs,
            "metal": band.metal,
            "stated": band.stated if band.digs else None,
            "rate_low": band.rate_low,
            "rate_high": band.rate_high,
            "verdict": band.verdict,
        }
        for band in bands
    ]


def _say_nothing(
    lessons: Lessons,
    job: "Job",
    digs: "Digs",
    results: "DigResults",
    candidates: "Candidates",
) -> None:
    """False digs, and the neighbours whose chance hangs on the same hits."""
    from gridtools.cli._settings import stored
    from gridtools.layers import Evidence
    from gridtools.targets.outcomes import neighbours_of_nothing
    from gridtools.units import counted

    false = results.dig_id[results.nothing].tolist()
    settled = int((results.metal | results.nothing).sum())
    lessons.lines.append(
        f"False digs, that found no metal: {len(false)} of {settled}"
        + (f" ({', '.join(false)})." if false else ".")
    )
    within = 2 * (stored(job, "sweep_width_m") or 0.0)
    found: dict[str, list[dict[str, Any]]] = {}
    if false:
        evidence = job.read(Evidence)
        for dig in false:
            near = neighbours_of_nothing(dig, digs, candidates, evidence, within_m=within)
            found[dig] = [{"candidate_id": c, "distance_m": d, "runs": r} for c, d, r in near]
            for name, distance, runs in near:
                lessons.lines.append(
                    f"{dig} took hits that may belong to {name}, {_length(distance)} away and "
                    f"crossed by {counted(runs, 'run')} of the same: its chance is in doubt, look "
                    "again."
                )
    lessons.summary["neighbours"] = found


def _learn_depths(lessons: Lessons, job: "Job", finds: "Finds") -> None:
    """Depth factor of each set-up, from finds of known depth against their onset distances."""
    from gridtools.cli.output import records
    from gridtools.layers import Pinpoints
    from gridtools.targets.depth import PRIOR_FACTOR, factor_in_use
    from gridtools.targets.learning import learned_depth_factors
    from gridtools.units import counted

    pinpoints = job.read(Pinpoints)
    factors = learned_depth_factors(finds.candidate_id.tolist(), finds.depth_m, pinpoints)
    lessons.depth_factors = factors
    lessons.summary["depth_factors"] = records(factors)
    if not len(factors):
        lessons.lines.append("Depth: no two finds of known depth with one set-up.")
    for i in range(len(factors)):
        high = "more" if factors.high[i] != factors.high[i] else f"{factors.high[i]:.2f}"
        setup = (
            ", ".join(filter(None, (factors.instrument[i], factors.tuning[i]))) or "set-up unknown"
        )
        line = (
            f"Depth factor {factors.factor[i]:.2f} ({factors.low[i]:.2f} to {high}, 90 % interval) "
            f"from {counted(int(factors.digs[i]), 'dig')}, {setup}"
        )
        used = factor_in_use(factors, factors.instrument[i], factors.tuning[i])
        if used == PRIOR_FACTOR:
            lessons.lines.append(f"{line}: no better yet than common practice, so it stays at 1.")
        else:
            lessons.lines.append(f"{line}.")
            lessons.changes.append(
                f"pinpoint reckons depths with a factor of {factors.factor[i]:.2f} for {setup}"
            )


def _learn_places(lessons: Lessons, job: "Job", finds: "Finds") -> None:
    """Errors of pinpoints and candidates, from finds whose place was measured."""
    import numpy as np
    import shapely

    from gridtools.layers import Candidates, Pinpoints
    from gridtools.targets.holes import SIGMAS_90
    from gridtools.targets.learning import LONGEST_M, place_errors

    use = finds.measured & ~(finds.length_m > LONGEST_M)
    for layer, key, what in (
        (job.read(Pinpoints), "pinpoint_error_factor", "pinpoints"),
        (job.read(Candidates), "candidate_error_factor", "candidates"),
    ):
        row_of = {name: i for i, name in enumerate(layer.candidate_id)}
        pairs = [(i, row_of[finds.candidate_id[i]]) for i in np.flatnonzero(use)
                 if finds.candidate_id[i] in row_of]  # fmt: skip
        if not pairs:
            continue
        find, row = np.array(pairs).T
        stated = layer.take(row)
        if isinstance(stated, Candidates):
            major, minor, axis = stated.sigma_m, stated.sigma_m, np.zeros(len(row))
        else:
            major, minor = stated.semi_major_m / SIGMAS_90, stated.semi_minor_m / SIGMAS_90
            axis = stated.axis_deg
        known = np.isfinite(major) & np.isfinite(minor)
        errors = place_errors(
            (finds.xy[find] - shapely.get_coordinates(stated.geometry))[known],
            major[known],
            minor[known],
            np.nan_to_num(axis[known]),
            FIND_SD_M,
        )
        if errors is not None:
            _say_places(lessons, errors, key, what)


def _say_places(lessons: Lessons, errors: "PlaceErrors", key: str, what: str) -> None:
    lessons.lines.append(
        f"Error of {what}: {_length(errors.rms_m)} (root mean square of {errors.count}), "
        f"{errors.factor:.1f} times that stated ({errors.low:.1f} to {errors.high:.1f}); "
        f"{errors.within_90} of {errors.count} lay within the 90 % ellipse."
    )
    lessons.summary[key] = {
        "count": errors.count,
        "rms_m": errors.rms_m,
        "factor": errors.factor,
        "low": errors.low,
        "high": errors.high,
    }
    if errors.teaches:
        lessons.settings.append((key, round(errors.factor, 3), ""))
        lessons.changes.append(
            f"digs sizes holes for errors of {what} {errors.factor:.1f} times those stated"
        )


def _learn_offset(lessons: Lessons, job: "Job", finds: "Finds") -> None:
    from gridtools.layers import Evidence, Hits
    from gridtools.targets.learning import learned_offset

    found = learned_offset(
        finds.candidate_id.tolist(), finds.xy, finds.length_m, job.read(Evidence), job.read(Hits)
    )
    if found is None:
        lessons.lines.append("Heading offset: too few finds with hits on both senses of a line.")
        return
    lessons.lines.append(
        f"Heading offset {_length(found.offset_m, '+')} ± {_length(found.standard_error_m)}, from "
        f"{found.hits} hits on {found.objects} finds."
    )
    lessons.summary["heading_offset"] = {
        "offset_m": found.offset_m,
        "standard_error_m": found.standard_error_m,
        "objects": found.objects,
        "hits": found.hits,
    }
    kept = job.setting("heading_offset_m")
    if kept is not None and kept.basis == "given":
        lessons.lines.append(
            f"The heading offset of {_length(kept.number, '+')} was given and stays."
        )
    elif found.standard_error_m <= LARGEST_OFFSET_ERROR_M:
        lessons.settings.append(("heading_offset_m", round(found.offset_m, 3), "m"))
        lessons.changes.append(
            "candidates uses a heading offset of " + _length(found.offset_m, "+")
        )
    else:
        lessons.lines.append(
            f"Too rough to change anything: {_length(LARGEST_OFFSET_ERROR_M)} or better is wanted."
        )


def _say_passes(lessons: Lessons, job: "Job", finds: "Finds") -> None:
    """Runs over finds as test passes: reported, never taken as the sweep width.

    What was found is what responded: objects that no run heard are missing, so a width from
    finds is on the wide side.
    """
    from gridtools.cli._settings import stored
    from gridtools.errors import InputError
    from gridtools.layers import Evidence, Runs
    from gridtools.sensor.adequacy import check_trials
    from gridtools.sensor.fit import fit_curves
    from gridtools.sensor.trials import Trials
    from gridtools.units import counted

    width = stored(job, "sweep_width_m")
    lateral, responded, heading, piece = _passes(job, finds, 1.5 * (width or 0.0), Runs, Evidence)
    heard = int(responded.sum())
    line = f"Runs past finds: {len(lateral)}, of which {heard} responded"
    lessons.summary["passes"] = {"runs": len(lateral), "responded": heard}
    trials = Trials.build(lateral, responded, heading, piece)
    try:
        check_trials(trials)
    except InputError:
        lessons.lines.append(f"{line}: too few, or too much alike, for a sweep width.")
        return
    fit = fit_curves(trials)
    high = _length(fit.high_m) if fit.high_m < 100 else "more"
    lessons.lines.append(
        f"{line}: sweep width {_length(fit.best.width_m)} ({_length(fit.low_m)} to {high}) for "
        f"{counted(len(set(piece.tolist())), 'object')} of the sizes and depths found. On the wide "
        "side, since what no run heard was not dug: it changes nothing, measure with test passes."
    )
    lessons.summary["passes"] |= {"sweep_width_m": fit.best.width_m, "low_m": fit.low_m}


def _passes(job: "Job", finds: "Finds", within_m: float, runs: Any, evidence: Any) -> Any:
    from gridtools.targets.learning import passes_over_finds

    return passes_over_finds(
        finds.candidate_id.tolist(),
        finds.xy,
        finds.length_m,
        job.read(runs),
        job.read(evidence),
        within_m=within_m,
    )


def _length(length_m: float, sign: str = "") -> str:
    from gridtools.units import format_length

    return format_length(length_m, 2, sign) if length_m == length_m else "–"
