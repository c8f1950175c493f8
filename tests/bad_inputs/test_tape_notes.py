"""Notes of lanes walked that cannot be used."""

import pytest

from .refusals import refused

CASES = {
    "lane unknown": "1-999 walked",
    "word unknown": "1-001 zigzag",
    "order without lanes": "walked all of it",
    "distance past the lane": "1-001 from 400 m",
    "distance without a unit": "1-001 from 12 to 13",
    "range backwards without end": "1-001 to",
    "range over two passes": "1-001 to 2-003",
    "missed only": "missed 1-001",
    "SQL": "1-001'; DROP TABLE lanes; --",
    "script": "<script>alert(1)</script>",
    "hit without a distance": "hit 1-001",
    "hit past the lane": "1-001\nhit 1-001 400 m",
    "hit on an unknown lane": "1-001\nhit 9-999 4 m",
    "date that is none": "2026-02-30\n1-001",
    "clock that is none": "2026-05-12\n25:99 1-001",
    "other digits": "١-٠٠١",
    "thousand-digit lane": "1-" + "9" * 1000,
    "lane of many thousand digits": "1-" + "9" * 9000,
    "thousand-digit hit": "hit 1-001 at " + "9" * 1000 + " m",
    "thousand letters": "x" * 1000,
    "thousand-digit distance": "1-001 from " + "9" * 1000 + " m",
    "decimal comma": "1-001 from 3,5 m",
    "nul": "1-001\0",
    "twice": "1-001 from 9 m to 9 m",
}


@pytest.mark.parametrize("name", CASES)
def test_record__refuses(planned, tmp_path, name):
    words = () if name in ("script", "nul", "missed only") else ("line ",)
    refused(planned, tmp_path / "walk.txt", CASES[name].encode(), words)
