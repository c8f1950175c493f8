"""Walked-lanes notes in: lanes walked with pegs and tape, as people write them.

``1-001 to 1-020 in order, missed 1-007, 1-012 from 34 m`` and the like; the whole of what is
understood stands in docs/logs.md. Words that are not understood are an error, never passed over:
a note says which ground was walked.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TypeVar
from zoneinfo import ZoneInfo

import numpy as np

from gridtools.errors import InputError, quote
from gridtools.field.logs import RawLog
from gridtools.formats.columns import text_column
from gridtools.formats.lane_names import LANE, LaneNames
from gridtools.formats.times import NAT, parse_times, to_utc
from gridtools.layers import Lanes
from gridtools.units import METRES_PER_UNIT, format_length

_T = TypeVar("_T")
_NUMBER = r"\d+(?:\.\d+)?"
_UNIT = r"(?:m|metres?|meters?|ft|feet)\b"
_TO = r"(?:to|until|till|through|thru|-|–|—)"
_DATE = re.compile(r"(?:date)?\s*:?\s*(\d{4}-\d{2}-\d{2})(?:[t ]\s*(\d{1,2}:\d{2}.*))?", re.I)
_CLOCK = re.compile(rf"(\d{{1,2}}:\d{{2}})(?:\s*{_TO}\s*\d{{1,2}}:\d{{2}})?(?!:)\s*", re.I)
_HIT = re.compile(
    rf"hits?\s*:?\s*(?:(?:on|in|lane)\s+)*({LANE})\s*(?:at|@|,|:)?\s*({_NUMBER})\s*({_UNIT})(.*)",
    re.I,
)
_TOKEN = re.compile(
    rf"""\s*(?:
      (?P<stretch>({_NUMBER})\s*({_UNIT})?\s*{_TO}\s*({_NUMBER})\s*({_UNIT}))
    | (?P<lane>{LANE})
    | (?P<distance>({_NUMBER})\s*({_UNIT}))
    | (?P<number>\d+)
    | (?P<word>[^\W\d_]+(?:'[a-z]+)?)
    | (?P<stop>[;.])
    | (?P<comma>[,:&+])
    | (?P<dash>[-–—])
    | (?P<other>\S)
    )""",
    re.IGNORECASE | re.VERBOSE,
)
_FILLERS = {
    "lane", "lanes", "the", "of", "only", "up", "just", "all", "and", "again", "later", "leg",
    "legs", "forward", "forwards",
}  # fmt: skip
_WALKED = {"walked", "did", "done", "then"}
_MISSED = {"missed", "except", "excepting", "excluding", "not", "without", "skipped", "but"}
_BACKWARD = {"backward", "backwards", "reversed"}
_TO_WORDS = {"to", "until", "till", "through", "thru"}
_HOW = "write lanes as in 1-001 to 1-020, missed 1-007, 1-012 from 34 m"


@dataclass(frozen=True)
class _Token:
    kind: str
    text: str
    metres: tuple[float, ...] = ()


@dataclass(frozen=True)
class _Stretch:
    lane: str
    low_m: float
    high_m: float
    backward: bool
    time: np.datetime64


@dataclass(frozen=True)
class _Hit:
    lane: str
    chainage_m: float
    part: str
    strength: float
    note: str
    direction: str
    time: np.datetime64


def read_tape_note(text: str, name: str, lanes: Lanes, *, tz: ZoneInfo | None = None) -> RawLog:
    """Stretches walked and hits of a walked-lanes note.

    Parameters
    ----------
    text
        The note.
    name
        Name of the file, for messages.
    lanes
        Lanes of the job, infill and recheck lanes included.
    tz
        Zone of the clock times in the note.

    Raises
    ------
    InputError
        If a lane is unknown, a chainage is off its lane, or words are not understood.

    Examples
    --------
    >>> import shapely
    >>> line = shapely.LineString([(0, 0), (50, 0)])
    >>> lanes = Lanes.build(geometry=[line] * 3, lane_id=["1-001", "1-002", "1-003"])
    >>> log = read_tape_note("1-001 to 1-003, missed 1-002 from 34 m", "note.txt", lanes)
    >>> log.tape_lane.tolist(), log.tape_to_m.tolist()
    (['1-001', '1-002', '1-003'], [50.0, 34.0, 50.0])
    """
    note = _Note(name, LaneNames(lanes), tz)
    for number, line in enumerate(text.splitlines(), start=1):
        note.line = number
        note.read_line(re.sub(r"#.*", "", line).strip())
    return note.log()


@dataclass
class _Note:
    """A note while it is read."""

    name: str
    lanes: LaneNames
    tz: ZoneInfo | None
    line: int = 0
    date: str = ""
    time: np.datetime64 = NAT
    stretches: list[_Stretch] = field(default_factory=list)
    hits: list[_Hit] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)

    @property
    def place(self) -> str:
        return f"{self.name}, line {self.line:,}"

    def unreadable(self, words: str) -> InputError:
        return InputError(f"{self.place}: cannot read {quote(words.strip())}; {_HOW}")

    def read_line(self, line: str) -> None:
        if match := _DATE.fullmatch(line):
            self.date = match[1]
            self.time = self._moment(match[2]) if match[2] else self._day()
            return
        if match := _CLOCK.match(line):
            self.time = self._moment(match[1])
            line = line[match.end() :]
        for clause in re.split(r"(?:[;,.]|\band\b|^)\s*(?=hits?\b)", line, flags=re.I):
            hit, _, rest = clause.partition(";")
            if re.match(r"hits?\b", clause, re.I):
                self._read_hit(hit)
                clause = rest
            self._read_walk(_tokens(clause))

    # --- times ------------------------------------------------------------------------------

    def _day(self) -> np.datetime64:
        times, _, bad = parse_times([f"{self.date}T00:00:00"])
        if bad[0]:
            raise self.unreadable(self.date)
        return np.datetime64(to_utc(times, self.tz)[0][0] if self.tz else times[0])

    def _moment(self, clock: str) -> np.datetime64:
        if not self.date:
            raise InputError(
                f"{self.place}: the time {clock} needs a line with the date above it, "
                "as in 2026-06-01"
            )
        padded = re.sub(r"^(\d):", r"0\1:", clock.strip())
        times, naive, bad = parse_times([f"{self.date}T{padded}"])
        if bad[0]:
            raise self.unreadable(clock)
        if naive[0]:
            if self.tz is None:
                raise InputError(
                    f"{self.place}: the time {clock} has no zone: give --tz, for example "
                    "--tz Europe/Berlin"
                )
            times, unclear = to_utc(times, self.tz)
            if unclear[0]:
                raise InputError(
                    f"{self.place}: clocks in {self.tz.key} changed over {clock}; "
                    "leave the time out"
                )
        return np.datetime64(times[0])

    # --- hits -------------------------------------------------------------------------------

    def _read_hit(self, clause: str) -> None:
        match = _HIT.fullmatch(clause.strip())
        if match is None:
            raise InputError(
                f"{self.place}: cannot read {quote(clause.strip())}; write a hit as in "
                "hit 1-004 at 12.5 m, strength 40"
            )
        lane_text, number, unit, rest = match.groups()
        more = rf"\s*(?:,|&|\band\b)\s*{_NUMBER}\s*{_UNIT}|.*(?:,|\band\b)\s*{LANE}"
        if re.match(more, rest, re.I):
            raise InputError(f"{self.place}: write each hit on its own line, not {quote(clause)}")
        lane = self._located(self.lanes.one, lane_text)
        chainage_m = self._on_lane(lane, _metres(number, unit))
        rest, strength = _cut(rest, rf"\bstrength\s*[:=]?\s*({_NUMBER})")
        rest, part = _cut(rest, r"^\s*,?\s*(start|peak|end)\b")
        rest, direction = _cut(rest, r"\b(forwards?|backwards?|reversed)\b")
        self.hits.append(
            _Hit(
                lane=lane,
                chainage_m=chainage_m,
                part=part.lower(),
                strength=float(strength or "nan"),
                note=re.sub(r"\s+", " ", rest).strip(" ,."),
                direction={"": "", "f": "forward"}.get(direction[:1].lower(), "backward"),
                time=self.time,
            )
        )

    # --- walking ----------------------------------------------------------------------------

    def _read_walk(self, tokens: list[_Token]) -> None:
        missed = False
        last: list[int] = []
        position = 0
        while position < len(tokens):
            token = tokens[position]
            word = token.text.lower()
            if token.kind == "lane" or (token.kind == "word" and word == "pass"):
                stretches, position = self._item(tokens, position)
                if missed:
                    self._take_away(stretches)
                    last = []
                else:
                    last = list(range(len(self.stretches), len(self.stretches) + len(stretches)))
                    self.stretches += stretches
                continue
            if token.kind == "stop" or word in _WALKED:
                missed = False
            elif word in _MISSED:
                # "1-007 missed" must not be read as 1-007 walked: what was missed comes after.
                after = next((t for t in tokens[position + 1 :] if t.text != ":"), None)
                if after is None or not (
                    after.kind == "lane" or after.text.lower() in _MISSED | {"pass"}
                ):
                    raise self.unreadable(_rest(tokens, position))
                missed = True
            elif word in _BACKWARD and last:
                for i in last:
                    self.stretches[i] = replace(self.stretches[i], backward=True)
            elif token.kind != "comma":
                raise self.unreadable(_rest(tokens, position))
            position += 1

    def _item(self, tokens: list[_Token], position: int) -> tuple[list[_Stretch], int]:
        """Stretches that a lane, part of a lane or range of lanes stands for, and what follows."""
        kinds = [t.kind for t in tokens[position : position + 5]] + [""] * 5
        words = [t.text.lower() for t in tokens[position : position + 5]] + [""] * 5
        name = tokens[position].text
        if words[0] == "pass":
            if kinds[1] != "number":
                raise self.unreadable(_rest(tokens, position))
            ids = self._located(lambda t: self.lanes.of_pass(int(t)), words[1])
            return [self._whole(i) for i in ids], position + 2

        def to(i: int) -> bool:
            return kinds[i] == "dash" or words[i] in _TO_WORDS

        def metres(i: int) -> tuple[float, ...]:
            return tokens[position + i].metres

        if to(1) and kinds[2] == "lane":
            ids = self._located(lambda t: self.lanes.between(t, words[2]), name)
            return [self._whole(i) for i in ids], position + 3
        if to(1) and kinds[2] == "distance":
            return [self._part(name, 0.0, metres(2)[0])], position + 3
        start = 2 if words[1] == "from" else 1
        if kinds[start] == "stretch":
            return [self._part(name, *metres(start))], position + start + 1
        if words[1] == "from" and kinds[2] == "distance":
            end = 5 if to(3) and words[4] == "end" else 4 if words[3] in ("on", "onwards") else 3
            return [self._part(name, metres(2)[0], None)], position + end
        if to(1) or words[1] == "from" or kinds[1] in ("number", "distance"):
            raise self.unreadable(_rest(tokens, position))
        return [self._whole(i) for i in self._located(self.lanes.find, name)], position + 1

    def _whole(self, lane: str) -> _Stretch:
        return _Stretch(lane, 0.0, self.lanes.length_m[lane], False, self.time)

    def _part(self, name: str, from_m: float, to_m: float | None) -> _Stretch:
        lane = self._located(self.lanes.one, name)
        start = self._on_lane(lane, from_m)
        finish = self.lanes.length_m[lane] if to_m is None else self._on_lane(lane, to_m)
        if start == finish:
            raise InputError(f"{self.place}: the stretch of lane {name} has no length")
        return _Stretch(lane, min(start, finish), max(start, finish), start > finish, self.time)

    def _take_away(self, gaps: list[_Stretch]) -> None:
        for gap in gaps:
            kept: list[_Stretch] = []
            touched = False
            for walk in self.stretches:
                if walk.lane != gap.lane or gap.high_m <= walk.low_m or gap.low_m >= walk.high_m:
                    kept.append(walk)
                    continue
                touched = True
                pieces = [
                    replace(walk, high_m=gap.low_m) if gap.low_m > walk.low_m else None,
                    replace(walk, low_m=gap.high_m) if gap.high_m < walk.high_m else None,
                ]
                kept += filter(None, reversed(pieces) if walk.backward else pieces)
            self.stretches = kept
            whole = gap.high_m - gap.low_m == self.lanes.length_m[gap.lane]
            if not touched:
                self.notices.append(
                    f"{self.place}: {gap.lane} is said to be missed, but was not among the lanes "
                    "walked"
                )
            elif not whole:
                self.notices.append(
                    f"{self.place}: {gap.lane} taken as missed from "
                    f"{format_length(gap.low_m, 1)} to {format_length(gap.high_m, 1)}"
                )

    # --- lanes and errors -------------------------------------------------------------------

    def _located(self, find: Callable[[str], _T], text: str) -> _T:
        try:
            return find(text)
        except InputError as error:
            raise InputError(f"{self.place}: {error}") from error

    def _on_lane(self, lane: str, chainage_m: float) -> float:
        return self._located(lambda t: self.lanes.chainage(t, chainage_m), lane)

    def log(self) -> RawLog:
        if not self.stretches and not self.hits:
            raise InputError(f"{self.name} states no lanes walked; {_HOW}")
        walks = list(dict.fromkeys(self.stretches))
        for lane in dict.fromkeys(w.lane for w in self.stretches if self.stretches.count(w) > 1):
            self.notices.append(f"{self.name}: {lane} is stated twice, counted once")
        ends = np.array([[w.low_m, w.high_m] for w in walks]).reshape(-1, 2)
        backward = np.array([w.backward for w in walks], dtype=np.bool_)
        ends[backward] = ends[backward, ::-1]
        return RawLog(
            tape_lane=text_column([w.lane for w in walks]),
            tape_from_m=ends[:, 0],
            tape_to_m=ends[:, 1],
            tape_time=np.array([w.time for w in walks], dtype="datetime64[ms]"),
            hit_xy=np.full((len(self.hits), 2), np.nan),
            hit_time=np.array([h.time for h in self.hits], dtype="datetime64[ms]"),
            hit_part=text_column([h.part for h in self.hits]),
            hit_strength=np.array([h.strength for h in self.hits], dtype=np.float64),
            hit_note=text_column([h.note for h in self.hits]),
            hit_lane=text_column([h.lane for h in self.hits]),
            hit_chainage_m=np.array([h.chainage_m for h in self.hits], dtype=np.float64),
            hit_direction=text_column([h.direction for h in self.hits]),
            notices=tuple(self.notices),
        )


def _tokens(clause: str) -> list[_Token]:
    clause = re.sub(r"\bin\s+order\b", " ", clause, flags=re.I)
    clause = re.sub(r"\bleft\s+out\b", "missed", clause, flags=re.I)
    tokens = []
    for match in _TOKEN.finditer(clause):
        kind = match.lastgroup or "other"
        text = match[0].strip()
        if kind == "word" and text.lower() in _FILLERS:
            continue
        metres: tuple[float, ...] = ()
        numbers = re.findall(rf"({_NUMBER})\s*({_UNIT})?", text, re.I)
        if kind in ("stretch", "distance"):
            unit = numbers[-1][1]
            metres = tuple(_metres(number, own or unit) for number, own in numbers)
        tokens.append(_Token(kind, text, metres))
    return tokens


def _metres(number: str, unit: str) -> float:
    return float(number) * METRES_PER_UNIT["ft" if unit.lower().startswith("f") else "m"]


def _rest(tokens: list[_Token], position: int) -> str:
    """Words from a place up to the next comma or stop."""
    words = []
    for token in tokens[position:]:
        if token.kind in ("comma", "stop"):
            break
        words.append(token.text)
    return " ".join(words) or tokens[position].text


def _cut(text: str, pattern: str) -> tuple[str, str]:
    """Text without the first match of a pattern, and what its group matched."""
    match = re.search(pattern, text, re.I)
    if match is None:
        return text, ""
    return text[: match.start()] + " " + text[match.end() :], match[1]
