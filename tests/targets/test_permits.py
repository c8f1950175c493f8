from datetime import UTC, datetime

import numpy as np
import pytest

from gridtools.errors import InputError
from gridtools.layers import Permits
from gridtools.targets.permits import lacking, new_permits, parse_kinds, parse_permit


def on(text):
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


PERMIT = parse_permit("services, T-4711, 2026-06-01, 2026-06-14")


@pytest.mark.parametrize(
    ("when", "reason"),
    [
        ("2026-05-31T23:59:59", ["services permit T-4711 begins 2026-06-01"]),
        ("2026-06-01T00:00:00", []),
        ("2026-06-14T23:59:59", []),
        ("2026-06-15T00:00:00", ["services permit T-4711 ended 2026-06-14"]),
    ],
)
def test_lacking__from_the_first_to_the_end_of_the_last_day(when, reason):
    assert lacking(PERMIT, ["services"], on(when)) == reason


def test_lacking__each_kind_by_itself():
    assert lacking(PERMIT, ["landowner", "services"], on("2026-06-10")) == ["no landowner permit"]


def test_lacking__struck_out_is_no_permit_and_no_end_holds_on():
    assert lacking(PERMIT.with_columns(struck=True), ["services"], on("2026-06-10")) != []
    assert lacking(parse_permit("other,A,2026-06-01"), ["other"], on("2036-06-10")) == []


def test_lacking__without_a_first_day_it_is_not_valid():
    undated = PERMIT.with_columns(from_utc=[np.datetime64("NaT", "ms")])
    assert lacking(undated, ["services"], on("2026-06-10")) == [
        "services permit T-4711 has no first day: not valid"
    ]
    assert lacking(Permits.concat([undated, PERMIT]), ["services"], on("2026-06-10")) == []


def test_lacking__a_day_is_the_day_on_the_spot():
    """23:30 on 31 May two hours behind UTC is 1 June in UTC: the permit has not begun."""
    evening = datetime.fromisoformat("2026-05-31T23:30:00-02:00")
    assert lacking(PERMIT, ["services"], evening) == ["services permit T-4711 begins 2026-06-01"]


def test_new_permits__twice_counts_once():
    known = new_permits([PERMIT, PERMIT], Permits.empty())
    assert known.permit_id.tolist() == ["P001"]
    other = parse_permit("landowner,letter,2026-06-01,2026-07-01")
    assert new_permits([PERMIT, other], known).permit_id.tolist() == ["P002"]


@pytest.mark.parametrize(
    "text",
    ["services", "services,T", "police,T,2026-06-01", "services,,2026-06-01",
     "services,T,June", "services,T,2026-06-02,2026-06-01"],
)  # fmt: skip
def test_parse_permit__one_sentence_for_what_is_wrong(text):
    with pytest.raises(InputError):
        parse_permit(text)


def test_parse_kinds():
    assert parse_kinds("services,landowner") == ("landowner", "services")
    with pytest.raises(InputError, match="'police' is not a kind of permit"):
        parse_kinds("police")
