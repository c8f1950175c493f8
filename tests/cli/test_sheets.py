def test_sheets__three_pages(gridtools, tmp_path, planned):
    result = gridtools("sheets", planned, tmp_path / "sheets")
    pages = {p.name: p.read_text() for p in (tmp_path / "sheets").iterdir()}
    assert set(pages) == {"lane-sheet.html", "hit-log.html", "walked-lanes.html"}
    assert "1-001s" in pages["lane-sheet.html"]
    for name in ("lane-sheet.html", "hit-log.html"):
        assert "sweep width assumed, not tested" in pages[name].lower()
    assert "lane-sheet.html" in result.out


def test_sheets__needs_lanes(gridtools, tmp_path, job):
    assert "no lanes" in gridtools("sheets", job, tmp_path / "sheets", code=1).err
