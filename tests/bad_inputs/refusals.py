"""What every refusal of a log has in common."""

from ..commands import run


def refused(job, path, data, words):
    """The log is refused in one short sentence that names it, and the job stays as it was."""
    path.write_bytes(data)
    before = job.read_bytes()
    result = run("record", job, path, code=1)
    assert len(result.err.splitlines()) == 1
    assert path.name in result.err
    # What is wrong is quoted in 40 characters at most, however long it is.
    assert len(result.err) - len(str(path)) < 300, result.err
    assert "inf " not in result.err
    assert all(word in result.err for word in words), result.err
    assert job.read_bytes() == before
    assert sorted(p.name for p in path.parent.iterdir()) == ["job.gpkg", path.name]
