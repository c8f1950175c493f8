"""How each layer with geometry is drawn, declared once for every kind of style file.

Each kind of thing differs by form as well as colour: dashes, hatching, shape or size.
"""

from gridtools.columns import Layer
from gridtools.coverage.infill import CLOSED, WALKED
from gridtools.handover.palette import (
    COVERED_1,
    COVERED_2,
    GREY,
    GROUND,
    INK,
    LIGHT,
    MISSED,
    PAPER,
    PASS_1,
    PASS_2,
    UNRESOLVED,
)
from gridtools.handover.symbols import Area, Hatch, Label, Line, Mark, Rule, Style, Where
from gridtools.layers import (
    Approaches,
    Candidates,
    Control,
    Covered,
    DigPegs,
    Digs,
    Edges,
    Evidence,
    Exclusion,
    Fixes,
    Gaps,
    Hits,
    Infill,
    Interference,
    Lanes,
    Outcomes,
    Pegs,
    Pinpoints,
    Recheck,
    Runs,
    SearchArea,
    Site,
)

# Denominators of the map scales below which labels are legible without running into each other.
_PLAN = 2_000
_DETAIL = 300


def _pass(number: int) -> Where:
    return Where("pass_no", "=", number)


def _lane(colour: str, dash_mm: tuple[float, ...] = (), width_mm: float = 0.35) -> tuple[Line, ...]:
    # The halo keeps a lane legible over hatching and over the other pass.
    halo = Line(colour=PAPER, width_mm=width_mm + 0.7, opacity=0.8) if dash_mm else None
    line = Line(colour=colour, width_mm=width_mm, dash_mm=dash_mm, arrow=True)
    return (halo, line) if halo else (line,)


def _lane_labels(
    colour: str, where: tuple[Where, ...] = (), scale: int = _PLAN
) -> tuple[Label, ...]:
    return tuple(
        Label(column="lane_id", at=at, colour=colour, size_pt=7, closer_than=scale, where=where)
        for at in ("start", "finish")
    )


def _gap(number: int, angle_deg: float) -> Rule:
    return Rule(
        title=f"gap of pass {number}",
        where=(_pass(number),),
        symbol=(
            Area(
                colour=MISSED,
                opacity=0.2,
                hatch=Hatch(colour=MISSED, width_mm=0.3, spacing_mm=1.2, angle_deg=angle_deg),
                outline=Line(colour=MISSED, width_mm=0.4),
            ),
        ),
    )


_HALO = Mark(shape="circle", size_mm=4.6, colour=PAPER, outline=PAPER)
_TO_WALK = (Where("reason", "<>", WALKED), Where("reason", "<>", CLOSED))
_STRUCK = Where("struck", "=", True)
_NOT_STRUCK = Where("struck", "=", False)
_CROSSED_OUT = (Mark(shape="x", size_mm=2.0, outline=LIGHT, outline_mm=0.4),)
_LISTED = (Where("status", "<>", "gone"), Where("status", "<>", "dropped"))


def _candidate(title: str, mark: Mark, *where: Where) -> Rule:
    halo = Mark(shape=mark.shape, size_mm=mark.size_mm + 1.2, colour=PAPER, outline=PAPER)
    return Rule(title=title, symbol=(halo, mark), where=(*where, *_LISTED))


_METAL = Where("verdict", "=", "metal")
_OPEN_VERDICT = Where("verdict", "=", "unresolved")

STYLES: dict[type[Layer], Style] = {
    Site: Style(
        rules=(Rule(title="site", symbol=(Area(outline=Line(colour=INK, width_mm=0.7)),)),),
    ),
    Exclusion: Style(
        rules=(
            Rule(
                title="not to be walked",
                symbol=(
                    Area(
                        colour=PAPER,
                        hatch=Hatch(
                            colour=GREY, width_mm=0.2, spacing_mm=1.6, angle_deg=45, crossed=True
                        ),
                        outline=Line(colour=INK, width_mm=0.4),
                    ),
                ),
            ),
        ),
        labels=(Label(column="reason", at="middle", closer_than=_PLAN),),
    ),
    Interference: Style(
        rules=(
            Rule(
                title="standoff",
                symbol=(Area(outline=Line(colour=GREY, width_mm=0.4, dash_mm=(2, 1.2))),),
            ),
        ),
        labels=(Label(column="kind", at="middle", colour=GREY, closer_than=_PLAN),),
    ),
    Control: Style(
        rules=(
            Rule(
                title="control mark",
                symbol=(
                    Mark(shape="triangle", size_mm=3.6, colour=PAPER, outline_mm=0.5),
                    Mark(shape="circle", size_mm=0.6, colour=INK),
                ),
            ),
        ),
        labels=(Label(column="name", offset_mm=2.2),),
    ),
    SearchArea: Style(
        rules=(
            Rule(
                title="search area",
                where=(Where("confidence", "=", "full"),),
                symbol=(Area(colour=GROUND),),
            ),
            Rule(
                title="search area, reduced confidence",
                where=(Where("confidence", "=", "reduced"),),
                symbol=(
                    Area(
                        colour=GROUND,
                        hatch=Hatch(colour=GREY, width_mm=0.3, spacing_mm=2.0, angle_deg=45),
                    ),
                ),
            ),
        ),
    ),
    Lanes: Style(
        rules=(
            Rule(title="lane of pass 1", where=(_pass(1),), symbol=_lane(PASS_1)),
            Rule(title="lane of pass 2", where=(_pass(2),), symbol=_lane(PASS_2)),
        ),
        labels=(
            *_lane_labels(PASS_1, (_pass(1),)),
            # Dark, since the colour of pass 2 is too pale to read as text.
            *_lane_labels(INK, (_pass(2),)),
        ),
    ),
    Pegs: Style(
        rules=(
            Rule(
                title="lane end",
                where=(Where("role", "=", "lane end"),),
                symbol=(Mark(shape="circle", size_mm=1.6, colour=PAPER),),
            ),
            Rule(
                title="baseline",
                where=(Where("role", "=", "baseline"),),
                symbol=(Mark(shape="square", size_mm=2.0, colour=INK),),
            ),
            Rule(
                title="intermediate",
                where=(Where("role", "=", "intermediate"),),
                symbol=(Mark(shape="circle", size_mm=1.0, colour=INK),),
            ),
            Rule(
                title="control",
                where=(Where("role", "=", "control"),),
                symbol=(Mark(shape="triangle", size_mm=2.6, colour=PAPER),),
            ),
        ),
        labels=(Label(column="peg_id", size_pt=7, closer_than=_DETAIL),),
    ),
    Fixes: Style(
        rules=(
            Rule(
                title="fix",
                where=(_NOT_STRUCK,),
                symbol=(Mark(shape="circle", size_mm=0.7, colour=LIGHT, outline=LIGHT),),
            ),
            Rule(title="fix struck out", where=(_STRUCK,), symbol=_CROSSED_OUT),
        ),
    ),
    Runs: Style(
        rules=(
            Rule(
                title="run, accepted",
                where=(Where("accepted", "=", True),),
                symbol=(Line(colour=LIGHT, width_mm=0.4),),
            ),
            Rule(
                title="run, not accepted",
                where=(Where("accepted", "=", False),),
                symbol=(Line(colour=INK, width_mm=0.3, dash_mm=(0.4, 1.0)),),
            ),
        ),
    ),
    Hits: Style(
        rules=(
            Rule(
                title="hit",
                where=(_NOT_STRUCK,),
                symbol=(Mark(shape="circle", size_mm=1.6, colour=PAPER),),
            ),
            Rule(title="hit struck out", where=(_STRUCK,), symbol=_CROSSED_OUT),
        ),
        labels=(Label(column="hit_id", size_pt=7, closer_than=_DETAIL),),
    ),
    Covered: Style(
        rules=(
            Rule(
                title="covered by pass 1",
                where=(_pass(1),),
                symbol=(Area(colour=COVERED_1, opacity=0.45),),
            ),
            Rule(
                title="covered by pass 2",
                where=(_pass(2),),
                symbol=(Area(colour=COVERED_2, opacity=0.45),),
            ),
        ),
    ),
    Gaps: Style(
        rules=(_gap(1, 45), _gap(2, 135)),
        labels=(Label(column="gap_id", at="middle", colour=MISSED, closer_than=_PLAN),),
    ),
    Infill: Style(
        rules=(
            Rule(title="infill lane", where=_TO_WALK, symbol=_lane(MISSED, (3.0, 1.2), 0.6)),
            *(
                Rule(
                    title=f"infill lane, {done}",
                    where=(Where("reason", "=", done),),
                    symbol=(Line(colour=LIGHT, width_mm=0.4, dash_mm=(3.0, 1.2)),),
                )
                for done in (WALKED, CLOSED)
            ),
        ),
        labels=_lane_labels(MISSED, _TO_WALK),
    ),
    Recheck: Style(
        rules=(
            Rule(title="recheck lane", where=_TO_WALK, symbol=_lane(INK, (0.9, 0.9), 0.6)),
            Rule(
                title="recheck lane, closed",
                where=(Where("reason", "=", CLOSED),),
                symbol=(Line(colour=LIGHT, width_mm=0.4, dash_mm=(0.9, 0.9)),),
            ),
        ),
        labels=_lane_labels(INK, _TO_WALK, scale=_DETAIL),
    ),
    Candidates: Style(
        rules=(
            _candidate(
                "metal, 95 % or more",
                Mark(shape="diamond", size_mm=5.0, colour=INK, outline_mm=0.4),
                _METAL,
                Where("p_metal", ">=", 0.95),
            ),
            _candidate(
                "metal, below 95 %",
                Mark(shape="diamond", size_mm=3.6, colour=INK, outline_mm=0.4),
                _METAL,
                Where("p_metal", "<", 0.95),
            ),
            _candidate(
                "unresolved, 50 % or more",
                Mark(shape="circle", size_mm=4.0, colour=UNRESOLVED, outline_mm=0.5),
                _OPEN_VERDICT,
                Where("p_metal", ">=", 0.5),
            ),
            _candidate(
                "unresolved, below 50 %",
                Mark(shape="circle", size_mm=2.8, colour=UNRESOLVED, outline_mm=0.4),
                _OPEN_VERDICT,
                Where("p_metal", "<", 0.5),
            ),
            _candidate(
                "ground edge",
                Mark(shape="triangle", size_mm=3.0, colour=PAPER, outline_mm=0.4),
                Where("verdict", "=", "ground edge"),
            ),
            Rule(title="dropped", where=(Where("status", "=", "dropped"),), symbol=_CROSSED_OUT),
            Rule(title="gone", where=(Where("status", "=", "gone"),), symbol=_CROSSED_OUT),
        ),
        labels=(
            Label(
                column="candidate_id", then="p_metal", scale=100, suffix=" %", size_pt=9, bold=True,
                offset_mm=2.4,                where=_LISTED,
            ),
        ),
    ),
    Evidence: Style(
        rules=(
            Rule(
                title="crossing that responded",
                where=(Where("responded", "=", True),),
                symbol=(Line(colour=INK, width_mm=0.4),),
            ),
            Rule(
                title="crossing that stayed silent",
                where=(Where("responded", "=", False),),
                symbol=(Line(colour=GREY, width_mm=0.25, dash_mm=(1.2, 0.8)),),
            ),
        ),
    ),
    Edges: Style(
        rules=(
            Rule(
                title="edge of ground",
                symbol=(
                    Line(colour=UNRESOLVED, width_mm=1.6, opacity=0.8),
                    Line(colour=INK, width_mm=0.25),
                ),
            ),
        ),
        labels=(Label(column="edge_id", at="middle"),),
    ),
    Approaches: Style(
        rules=(
            Rule(
                title="onset of a response",
                where=(Where("kind", "=", "onset"), _NOT_STRUCK),
                symbol=(Mark(shape="triangle", size_mm=2.2, colour=INK),),
            ),
            Rule(
                title="flagged centre",
                where=(Where("kind", "=", "centre"), _NOT_STRUCK),
                symbol=(Mark(shape="cross", size_mm=2.8, outline_mm=0.5),),
            ),
            Rule(title="struck out", where=(_STRUCK,), symbol=_CROSSED_OUT),
        ),
    ),
    Pinpoints: Style(
        rules=(
            Rule(
                title="pinpointed centre",
                symbol=(
                    Mark(shape="cross", size_mm=5.0, outline=PAPER, outline_mm=1.2),
                    Mark(shape="cross", size_mm=5.0, outline_mm=0.5),
                ),
            ),
        ),
        labels=(
            Label(
                column="candidate_id", then="depth_m", decimals=1, suffix=" m deep", offset_mm=2.6,
                closer_than=_DETAIL,
            ),
        ),
    ),
    Digs: Style(
        rules=(
            Rule(
                title="dig, ready",
                where=(Where("status", "=", "open"), Where("hold", "=", "")),
                symbol=(
                    Mark(shape="square", size_mm=6.0, outline=PAPER, outline_mm=1.6),
                    Mark(shape="square", size_mm=6.0, outline_mm=0.8),
                ),
            ),
            Rule(
                title="dig, on hold",
                where=(Where("status", "=", "open"), Where("hold", "<>", "")),
                symbol=(
                    Mark(shape="square", size_mm=6.0, outline=PAPER, outline_mm=1.6),
                    Mark(shape="square", size_mm=6.0, outline=MISSED, outline_mm=0.8),
                    Mark(shape="x", size_mm=6.0, outline=MISSED, outline_mm=0.4),
                ),
            ),
            Rule(
                title="dug",
                where=(Where("status", "=", "dug"),),
                symbol=(Mark(shape="square", size_mm=6.0, outline=LIGHT, outline_mm=0.8),),
            ),
            Rule(title="dropped", where=(Where("status", "=", "dropped"),), symbol=_CROSSED_OUT),
            Rule(title="gone", where=(Where("status", "=", "gone"),), symbol=_CROSSED_OUT),
        ),
        labels=(Label(column="dig_id", size_pt=9, bold=True, offset_mm=3.4, where=_LISTED),),
    ),
    DigPegs: Style(
        rules=(
            Rule(
                title="reference peg",
                symbol=(Mark(shape="square", size_mm=1.6, colour=PAPER, outline_mm=0.4),),
            ),
        ),
        labels=(Label(column="peg_id", size_pt=7, closer_than=_DETAIL),),
    ),
    Outcomes: Style(
        rules=(
            Rule(
                title="metal found",
                where=(Where("metal", "=", True), _NOT_STRUCK),
                symbol=(_HALO, Mark(shape="star", size_mm=4.6, colour=INK)),
            ),
            Rule(
                title="no metal found",
                where=(Where("metal", "=", False), _NOT_STRUCK),
                symbol=(_HALO, Mark(shape="star", size_mm=4.6, colour=PAPER, outline_mm=0.4)),
            ),
            Rule(title="struck out", where=(_STRUCK,), symbol=_CROSSED_OUT),
        ),
        labels=(Label(column="found", offset_mm=2.6, where=(_NOT_STRUCK,)),),
    ),
}  # fmt: skip
