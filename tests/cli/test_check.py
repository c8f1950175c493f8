import sqlite3


def test_check__sound(gridtools, planned):
    assert "is sound" in gridtools("check", planned).out


def test_check__wrong_is_status_3_and_the_job_unchanged(gridtools, planned, tmp_path):
    db = sqlite3.connect(planned)
    db.execute("DROP TABLE tape")
    db.commit()
    db.close()
    before = planned.read_bytes()
    result = gridtools("check", planned, code=3)
    assert "tape: the layer is missing" in result.out
    copy = tmp_path / "copy.gpkg"
    result = gridtools("check", planned, "--repair", copy, code=3)
    assert "Not in it: layer tape" in result.out
    assert planned.read_bytes() == before
    assert gridtools("check", copy, "--json").json["sound"]
    gridtools("status", copy)


def test_check__no_job(gridtools, tmp_path):
    (tmp_path / "a.gpkg").write_text("no")
    gridtools("check", tmp_path / "a.gpkg", code=1)
    gridtools("check", tmp_path / "none.gpkg", code=1)
