from ..pdf import sizes_of, text_of


def test_sheets__of_a_plan(gridtools, tmp_path, planned):
    result = gridtools("sheets", planned, tmp_path / "sheets")
    assert {p.name for p in (tmp_path / "sheets").iterdir()} == {
        "lane-sheet.pdf",
        "hit-log.pdf",
        "walked-lanes.pdf",
    }
    assert "1-001s" in text_of((tmp_path / "sheets" / "lane-sheet.pdf").read_bytes())
    for name in ("lane-sheet.pdf", "hit-log.pdf"):
        assert (
            "sweep width assumed, not tested"
            in text_of((tmp_path / "sheets" / name).read_bytes()).lower()
        )
    assert "lane-sheet.pdf" in result.out


def test_sheets__needs_lanes(gridtools, tmp_path, job):
    assert "no lanes" in gridtools("sheets", job, tmp_path / "sheets", code=1).err


def test_sheets__same_job_gives_same_bytes(gridtools, tmp_path, planned):
    for folder in ("one", "two"):
        gridtools("sheets", planned, tmp_path / folder)
    for page in (tmp_path / "one").iterdir():
        assert page.read_bytes() == (tmp_path / "two" / page.name).read_bytes()


def test_sheets__letter(gridtools, tmp_path, planned):
    gridtools("sheets", planned, tmp_path / "sheets", "--paper", "letter")
    data = (tmp_path / "sheets" / "hit-log.pdf").read_bytes()
    assert set(sizes_of(data)) == {(612.0, 792.0)}
