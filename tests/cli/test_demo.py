from gridtools.cli import pegs
from gridtools.demo import script


def test_demo__stops_when_interrupted(gridtools, tmp_path, monkeypatch):
    """Ctrl-C in a step ends the demo, with the status of an interrupt."""

    def interrupt(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(pegs.pegs, "callback", interrupt)
    result = gridtools("demo", tmp_path / "yard", code=130)
    assert "gridtools record" not in result.out
    assert "Done" not in result.out


def test_demo__ends_with_the_file_to_open(gridtools, tmp_path, monkeypatch):
    monkeypatch.setattr(script, "STEPS", script.STEPS[:1])
    last = gridtools("demo", tmp_path / "yard").out.splitlines()[-1]
    assert str(tmp_path / "yard" / "yard.gpkg") in last
    assert "in any GIS" in last
