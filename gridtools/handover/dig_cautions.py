"""The cautions of digging in words, each with its source.

The headings are those of `gridtools.targets.precautions`. Every caution defers: local codes, the
rules of the site, and a competent person on the spot come first.
"""

from collections.abc import Iterable
from datetime import date
from typing import NamedTuple

from gridtools.targets import precautions

_SUBPART_P = "29 CFR 1926 Subpart P"
_NO_SOURCE = "common practice, no source"


class DigCaution(NamedTuple):
    """One thing to mind, and where it is from."""

    heading: str
    text: str
    source: str


DEFERENCE = (
    "Local codes, the rules of the site and a competent person on the spot come before all that is "
    "written here. Figures from US federal rules stand where the job has none of its own."
)

#: For every dig of every job.
GENERAL: tuple[DigCaution, ...] = (
    DigCaution(
        "Locate services first",
        "Nobody digs before the owners of pipes and cables have answered: notice two to three "
        "working days ahead, then mark what they give. Know how good each line is: quality "
        "level D records only, C seen on site, B detected, A exposed. Only A is a position.",
        "29 CFR 1926.651(b); US one-call practice; ASCE 38-22, PAS 128:2022",
    ),
    DigCaution(
        "Leave to dig",
        "The landowner's leave in writing, for this hole and these days; tenants and rights of "
        "way too.",
        _NO_SOURCE,
    ),
    DigCaution(
        "Protected sites and finds",
        "Scheduled monuments, protected habitats and trees: no digging without consent. Old or "
        "valuable finds, and human remains: stop, leave them in place, report as the law asks.",
        "national heritage and nature law: look it up for the site",
    ),
    DigCaution(
        "Suspected munition",
        "Recognise that it may be one. Do not touch or move it. Retreat the way you came, keep "
        "others away. Report it to the police. No more digging until they say so.",
        "US Department of Defense, 3Rs Explosives Safety Education Program",
    ),
    DigCaution(
        "Unknown containers",
        "Any tank, drum or cylinder that comes to light: treat it as in the caution on possible "
        "closed containers, whatever was expected.",
        _NO_SOURCE,
    ),
    DigCaution(
        "Sides and inspection",
        "A competent person looks at hole and sides before anyone goes in, daily, and after rain. "
        "Nobody enters a hole that is not sloped or held up, however short the work.",
        f"{_SUBPART_P}: 1926.651(k), 1926.652(a)",
    ),
    DigCaution(
        "Spoil and plant",
        "Spoil, tools and plant stay 0.61 m (2 ft) or more from the edge. Nobody in the swing of "
        "the machine or under a load.",
        "29 CFR 1926.651(j)(2), (e)",
    ),
    DigCaution(
        "Water",
        "No work in a hole where water stands or comes in, unless it is kept down and watched.",
        "29 CFR 1926.651(h)",
    ),
    DigCaution(
        "Livestock and the public",
        "Fence an open hole, mark it by night, and never leave it unattended otherwise. Stock out "
        "of the field.",
        _NO_SOURCE,
    ),
    DigCaution(
        "After each lift",
        "Sweep the hole and the spoil again before going deeper or filling back, and write down "
        "whether they were quiet.",
        _NO_SOURCE,
    ),
    DigCaution(
        "Backfill",
        "Fill back in layers, tread or tamp each, topsoil and turf last; settled ground is a "
        "fault. A hole that found nothing is filled back too.",
        _NO_SOURCE,
    ),
)

#: For the digs that have them, by heading.
SPECIAL: dict[str, DigCaution] = {
    caution.heading: caution
    for caution in (
        DigCaution(
            precautions.SUSPECTED_MUNITION,
            "Not to be dug. Recognise, retreat without touching, report to the police.",
            "US Department of Defense, 3Rs Explosives Safety Education Program",
        ),
        DigCaution(
            precautions.HAND_DIG,
            "Within the tolerance zone of a buried service (18 to 24 in by state): its owner "
            "marks it, then hand tools or vacuum only, until the service itself is seen. No "
            "machine, no picks. Support it while it is bare.",
            "US one-call practice; 29 CFR 1926.651(b)",
        ),
        DigCaution(
            precautions.LONG_METAL,
            "A pipe or cable nobody recorded responds like this. Treat it as live: trace it both "
            "ways, ask the owners, hand tools only.",
            "29 CFR 1926.651(b)",
        ),
        DigCaution(
            precautions.OVERHEAD_LINE,
            "No machine within 10 ft (3.0 m) of an overhead line, boom and load included, and "
            "more at high voltage: ask its owner. Digging must not undermine a pole.",
            "29 CFR 1926.1408 for up to 50 kV, from memory",
        ),
        DigCaution(
            precautions.CLOSED_CONTAINER,
            "Contents unknown. Uncover it by hand over the last 0.3 m; do not pierce, cut, drag "
            "or lift it by a fitting. No flame, no sparks; stay upwind, nobody in the hole until "
            "the air is tested. Leave it, fence it off, and call those licensed to open, empty "
            "and remove it; spills are reported.",
            "29 CFR 1926.651(g) for the air; otherwise common practice, no source",
        ),
        DigCaution(
            precautions.ENGINEER,
            "Over 20 ft (6.1 m) a registered professional engineer designs the excavation.",
            f"{_SUBPART_P}, appendix B, table B-1",
        ),
        DigCaution(
            precautions.PROTECTION,
            "From 5 ft (1.5 m) sides are sloped, benched, shored or shielded, and in less where "
            "a competent person sees a sign of cave-in. Unclassified ground counts as type C, "
            "1½ to 1.",
            f"{_SUBPART_P}: 1926.652(a), (b)",
        ),
        DigCaution(
            precautions.WAY_OUT,
            "From 4 ft (1.2 m) a ladder or ramp within 25 ft (7.6 m) of anyone in the hole. Test "
            "the air first where it may be bad: fills, tanks, old works.",
            f"{_SUBPART_P}: 1926.651(c)(2), (g)(1)",
        ),
        DigCaution(
            precautions.MAY_BE_DEEPER,
            "The approaches began too near, so the depth is a least one: the hole may have to go "
            "deeper than sized. Stop and plan anew before it does.",
            _NO_SOURCE,
        ),
        DigCaution(
            precautions.DEEPER_WHEN_FREED,
            "The hole as sized reaches the top of the object. Freeing it takes the depth named, "
            "with the height assumed for it: cautions by depth count from there. Widen the hole "
            "before it goes deeper.",
            _NO_SOURCE,
        ),
        DigCaution(
            precautions.OPEN_WATER,
            "Water may break in or seep in: dig in a dry spell, keep a pump by, keep spoil and "
            "whatever leaks out of the water.",
            "29 CFR 1926.651(h); otherwise common practice, no source",
        ),
        DigCaution(
            precautions.NEAR_METALWORK,
            "The response may be that of the metalwork: move it if it can be moved, and pinpoint "
            "again. Do not undermine posts, walls or footings.",
            "29 CFR 1926.651(i); otherwise common practice, no source",
        ),
        DigCaution(
            precautions.MORE_METAL,
            "Hole or spoil still responded after the last lift: look on before filling back.",
            _NO_SOURCE,
        ),
    )
}  # fmt: skip


def checked_text(day: str) -> str:
    """For which day the holds of a dig list stand; empty if that is not known.

    Examples
    --------
    >>> checked_text("2026-05-27")
    'Permits checked for 27 May 2026; make the list again for another day.'
    """
    if not day:
        return ""
    on = date.fromisoformat(day)
    return f"Permits checked for {on.day} {on:%B %Y}; make the list again for another day."


def special_cautions(texts: Iterable[str]) -> tuple[DigCaution, ...]:
    """Cautions in words for the headings that some digs have, the gravest first, once each.

    Examples
    --------
    >>> [c.heading for c in special_cautions(["way out and air (1.3 m deep)", ""])]
    ['way out and air']
    """
    used = {heading for text in texts for heading in precautions.headings_of(text)}
    return tuple(SPECIAL[heading] for heading in precautions.HEADINGS if heading in used)
