def test_report__planned_job(gridtools, tmp_path, planned):
    out = tmp_path / "report.html"
    result = gridtools("report", planned, out)
    assert "report.html" in result.out
    page = out.read_text()
    assert "planned, not yet walked" in page
    assert "1-001" in page


def test_report__bare_job(gridtools, tmp_path, job):
    out = tmp_path / "report.html"
    gridtools("report", job, out)
    assert "not yet planned" in out.read_text()


def test_report__leaves_the_job_alone(gridtools, tmp_path, planned):
    before = planned.read_bytes()
    gridtools("report", planned, tmp_path / "report.html")
    assert planned.read_bytes() == before


def test_report__writes_over_its_own_only(gridtools, tmp_path, planned):
    out = tmp_path / "report.html"
    gridtools("report", planned, out)
    gridtools("report", planned, out)
    out.write_text("somebody's page")
    assert "not written by gridtools" in gridtools("report", planned, out, code=1).err
    assert out.read_text() == "somebody's page"


def test_report__name_ends_in_html(gridtools, tmp_path, planned):
    assert ".html" in gridtools("report", planned, tmp_path / "job.gpkg", code=1).err
