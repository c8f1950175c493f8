from gridtools.cli import pegs


def test_demo__stops_when_interrupted(gridtools, tmp_path, monkeypatch):
    """Ctrl-C in a step ends the demo, with the status of an interrupt."""

    def interrupt(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(pegs.pegs, "callback", interrupt)
    result = gridtools("demo", tmp_path / "yard", code=130)
    assert "gridtools record" not in result.out
    assert "Done" not in result.out
