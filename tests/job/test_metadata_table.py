import importlib.util
import sqlite3
import subprocess
import sys
from xml.etree import ElementTree as ET

import pytest
import shapely
from pyproj import CRS

from gridtools.job import Job, Setting, create_job
from gridtools.layers import Sessions, Site

SPACES = {
    "gmd": "http://www.isotc211.org/2005/gmd",
    "gco": "http://www.isotc211.org/2005/gco",
    "gml": "http://www.opengis.net/gml",
}
HOSTILE = "<script>alert('x')</script>\n=cmd() \"quoted\" & 北"
YARD = Site.build(geometry=[shapely.box(500000, 5700000, 500100, 5700060)], name="yard")


@pytest.fixture
def described(tmp_path):
    path = tmp_path / "yard.gpkg"
    words = {"name": HOSTILE, "abstract": "=cmd()", "contact": "Yard & Co"}
    words["contact_email"] = "yard@example.org"
    create_job(path, CRS.from_epsg(32630), [YARD], {k: Setting(v) for k, v in words.items()})
    return path


def records(path):
    db = sqlite3.connect(path)
    try:
        return [
            ET.fromstring(text)
            for (text,) in db.execute(
                "SELECT metadata FROM gpkg_metadata m JOIN gpkg_metadata_reference r "
                "ON r.md_file_id = m.id WHERE reference_scope = 'geopackage' ORDER BY m.id"
            )
        ]
    finally:
        db.close()


def said(record, path):
    found = record.find(f".//{path.replace('/', '/')}", SPACES)
    return None if found is None else "".join(found.itertext()).strip()


def test_metadata__says_what_the_job_is(described):
    (record,) = records(described)
    assert said(record, "gmd:citation//gmd:title") == HOSTILE
    assert said(record, "gmd:abstract") == "=cmd()"
    assert said(record, "gmd:contact//gmd:organisationName") == "Yard & Co"
    assert said(record, "gmd:contact//gmd:electronicMailAddress") == "yard@example.org"
    assert said(record, "gmd:RS_Identifier/gmd:code") == "EPSG:32630"
    # 500 km east in zone 30 is its central meridian, 3 degrees west.
    assert float(said(record, "gmd:westBoundLongitude")) == pytest.approx(-3.0, abs=1e-6)
    assert 51.4 < float(said(record, "gmd:southBoundLatitude")) < 51.5


def test_metadata__follows_every_change(described):
    session = Sessions.build(
        session_id=["S001"], start_utc="2026-05-04T09:00:00", finish_utc="2026-05-04T11:30:00"
    )
    for _ in range(2):
        with Job.open(described) as job, job.change("lanes") as change:
            change.set("name", "Yard")
            if not len(job.read(Sessions)):
                change.append(session)
    (record,) = records(described)
    assert said(record, "gmd:citation//gmd:title") == "Yard"
    assert said(record, "gml:beginPosition") == "2026-05-04T09:00:00Z"
    assert said(record, "gml:endPosition") == "2026-05-04T11:30:00Z"
    steps = ["".join(e.itertext()).strip() for e in record.iterfind(".//gmd:description", SPACES)]
    assert [step.split(",")[0] for step in steps] == ["gridtools new", "gridtools lanes"]
    assert "last of 2 times" in steps[1]


def test_metadata__other_records_stay(described):
    db = sqlite3.connect(described)
    with db:
        db.execute(
            "INSERT INTO gpkg_metadata VALUES (9, 'dataset', 'http://www.isotc211.org/2005/gmd', "
            "'text/xml', '<mine/>')"
        )
        db.execute(
            "INSERT INTO gpkg_metadata_reference (reference_scope, md_file_id) "
            "VALUES ('geopackage', 9)"
        )
    db.close()
    with Job.open(described) as job, job.change("test") as change:
        change.set("name", "Yard")
    ours, mine = records(described)
    assert said(ours, "gmd:citation//gmd:title") == "Yard"
    assert mine.tag == "mine"


def test_metadata__no_contact_is_said_to_be_missing(empty_job):
    (record,) = records(empty_job)
    assert record.find("gmd:contact", SPACES).get(f"{{{SPACES['gco']}}}nilReason") == "missing"


def test_metadata__job_without_the_tables_is_left_without(described):
    db = sqlite3.connect(described)
    with db:
        db.execute("DROP TABLE gpkg_metadata_reference")
        db.execute("DROP TABLE gpkg_metadata")
    db.close()
    with Job.open(described) as job, job.change("test") as change:
        change.set("name", "Yard")
    with Job.open(described) as job:
        assert "Yard" in job.metadata()


@pytest.mark.skipif(
    importlib.util.find_spec("osgeo_utils") is None,
    reason="the validator is installed by: pip install --no-deps gdal-utils",
)
def test_metadata__valid_geopackage_after_a_change(described):
    with Job.open(described) as job, job.change("test") as change:
        change.set("name", "Yard")
    check = [sys.executable, "-m", "osgeo_utils.samples.validate_gpkg", described]
    run = subprocess.run(check, capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stdout + run.stderr
