"""The job open in a desktop GIS: PyQGIS in a process of its own, driven line by line."""

import numpy as np
import pytest
import shapely

from gridtools.errors import JobBusyError
from gridtools.job import Job
from gridtools.layers import ALL_LAYERS, Candidates, History, Hits, Lanes, Settings

from ..desktop import desktop_on, is_there

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not is_there(), reason="PyQGIS is not installed for /usr/bin/python3"),
]


@pytest.fixture
def desktop(job_path, tmp_path):
    """Function that evaluates one line in the GIS and gives back what it prints."""
    with desktop_on(job_path, tmp_path) as tell:
        yield tell


def change_job(path, *layers):
    with Job.open(path) as job, job.change("test") as change:
        for layer in layers:
            change.append(layer) if layer.user_owned else change.replace(layer)


def notes(path):
    with Job.open(path) as job:
        found = job.read(Candidates)
    return dict(zip(found.candidate_id, zip(found.status, found.note, strict=True), strict=True))


def test_desktop__opens_every_layer_with_its_crs_and_counts(job_path, desktop, rows_of):
    layers = [layer for layer in ALL_LAYERS if layer not in (History, Settings)]
    change_job(job_path, *(rows_of(layer) for layer in layers))
    for layer in layers:
        desktop(f"x = layer({layer.table!r})")
        assert (
            desktop("x.isValid(), x.featureCount(), len(list(x.getFeatures()))") == "(True, 3, 3)"
        )
        assert desktop("x.crs().authid()") == ("EPSG:32630" if layer.geometry_type else "")
        names = [column.name for column in layer.columns()]
        assert desktop("[f.name() for f in x.fields()][1:]") == str(names)


def test_desktop__unsaved_notes_survive_a_replacement_and_are_saved(
    job_path, desktop, candidates_of
):
    change_job(job_path, candidates_of(["C001", "C002", "C003"]))
    desktop("x = layer('candidates')")
    assert desktop("x.startEditing(), note(x, 'C001', 'gate'), note(x, 'C003', 'tree')") == (
        "(True, True, True)"
    )
    change_job(job_path, candidates_of(["C004", "C003", "C001"], rank=[1, 2, 3]))
    assert desktop("x.commitChanges(), x.commitErrors()").startswith("(True")
    assert notes(job_path) == {
        "C001": ("open", "gate"), "C003": ("open", "tree"), "C004": ("open", ""),
    }  # fmt: skip
    change_job(job_path, candidates_of(["C003"]))
    assert notes(job_path) == {"C001": ("gone", "gate"), "C003": ("open", "tree")}
    assert desktop("x.reload()") == "None"
    assert desktop("sorted(f['candidate_id'] for f in x.getFeatures())") == "['C001', 'C003']"


def test_desktop__row_drawn_there_is_read_here_and_found_by_its_index(job_path, desktop):
    change_job(job_path, Hits.build(hit_id=["H0001"], geometry=[shapely.Point(0, 0)]))
    desktop("x = layer('hits')")
    desktop("f = QgsFeature(x.fields())")
    desktop("f.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(7, 8)))")
    desktop("f['hit_id'], f['struck'] = 'H0002', False")
    assert desktop("x.startEditing(), x.addFeature(f), x.commitChanges()") == "(True, True, True)"
    change_job(job_path, Hits.build(hit_id=["H0003"], geometry=[shapely.Point(9, 9)]))
    with Job.open(job_path) as job:
        hits = job.read(Hits)
        assert job._store.db.execute("SELECT rtreecheck('rtree_hits_geom')").fetchone() == ("ok",)
    assert hits.hit_id.tolist() == ["H0001", "H0002", "H0003"]
    assert np.array_equal(shapely.get_coordinates(hits.geometry), [[0, 0], [7, 8], [9, 9]])


def test_desktop__opening_the_job_there_does_not_stop_a_change_but_saving_does(
    job_path, desktop, candidates_of, lanes_of
):
    change_job(job_path, candidates_of(["C001"]))
    with Job.open(job_path) as job:
        job.read(Candidates)
        desktop("x = layer('candidates')")
        assert desktop("len(list(x.getFeatures()))") == "1"
        with job.change("lanes") as change:
            change.replace(lanes_of(["1-001"]))
        assert desktop("x.startEditing(), note(x, 'C001', 'gate'), x.commitChanges()") == (
            "(True, True, True)"
        )
        with pytest.raises(JobBusyError, match="changed meanwhile"):
            job.change("lanes").__enter__()
    change_job(job_path, lanes_of(["1-001", "1-002"]))
    assert notes(job_path) == {"C001": ("open", "gate")}
    desktop("x = layer('lanes')")
    assert desktop("x.featureCount()") == "2"
    with Job.open(job_path) as job:
        assert len(job.read(Lanes)) == 2
