import re

from gridtools.handover.dig_cautions import DEFERENCE, GENERAL, SPECIAL, special_cautions
from gridtools.targets.holes import EGRESS_FROM_M, ENGINEER_OVER_M, PROTECTION_FROM_M
from gridtools.targets.precautions import HEADINGS


def test_special__every_heading_has_its_words():
    assert set(SPECIAL) == set(HEADINGS)


def test_cautions__each_has_a_source_and_none_says_that_ground_is_safe():
    for caution in (*GENERAL, *SPECIAL.values()):
        assert caution.source
        assert not re.search(r"\b(is|are) (safe|clear)\b", caution.text)
    assert "competent person" in DEFERENCE
    assert "Local codes" in DEFERENCE


def test_cautions__thresholds_in_words_are_those_in_use():
    """29 CFR 1926 Subpart P: 4 ft, 5 ft, 20 ft."""
    for heading, metres, feet in (
        ("way out and air", EGRESS_FROM_M, 4),
        ("protective system", PROTECTION_FROM_M, 5),
        ("engineer's design", ENGINEER_OVER_M, 20),
    ):
        assert f"{feet} ft ({metres:.1f} m)" in SPECIAL[heading].text


def test_cautions__what_the_trade_asks_for_is_there():
    words = " ".join(c.heading + c.text for c in (*GENERAL, *SPECIAL.values())).lower()
    for thing in (
        "quality level", "tolerance zone", "pierce", "air is tested", "licensed", "retreat",
        "report", "spoil", "water", "livestock", "public", "landowner", "backfill", "leave",
    ):  # fmt: skip
        assert thing in words, thing


def test_special_cautions__gravest_first_and_once():
    texts = ["water near by (pond, 3 m); way out and air (1.3 m deep)", "hand dig near a service"]
    headings = [c.heading for c in special_cautions(texts)]
    assert headings == ["hand dig near a service", "way out and air", "water near by"]
