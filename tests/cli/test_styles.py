import sqlite3

import pytest

from gridtools.layers import ALL_LAYERS


def ask(job, sql, *values):
    db = sqlite3.connect(job)
    try:
        with db:
            return db.execute(sql, values).fetchall()
    finally:
        db.close()


def defaults(job):
    return dict(ask(job, "SELECT f_table_name, styleName FROM layer_styles WHERE useAsDefault"))


def own_style(job, table="lanes", name="mine"):
    """What a desktop GIS does when a person saves a style as the default."""
    ask(job, "UPDATE layer_styles SET useAsDefault = 0 WHERE f_table_name = ?", table)
    ask(
        job,
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, "
        "f_geometry_column, styleName, styleQML, useAsDefault) "
        "VALUES ('', '', ?, 'geom', ?, 'x', 1)",
        table, name,
    )  # fmt: skip


def test_styles__every_layer_of_a_new_job_has_ours(job):
    assert defaults(job) == {layer.table: "gridtools" for layer in ALL_LAYERS}
    assert ask(job, "SELECT DISTINCT f_table_catalog, f_table_schema FROM layer_styles") == [
        ("", "")
    ]


def test_styles__own_style_stays_through_later_commands(gridtools, planned):
    own_style(planned)
    before = ask(planned, "SELECT * FROM layer_styles ORDER BY id")
    gridtools("lanes", planned, "--spacing", "3m", "--bearing", "10")
    assert "already" in gridtools("styles", planned).out
    assert ask(planned, "SELECT * FROM layer_styles ORDER BY id") == before


def test_styles__restore_makes_ours_the_default_and_keeps_the_own_one(gridtools, planned):
    own_style(planned)
    ask(planned, "UPDATE layer_styles SET styleQML = 'edited' WHERE f_table_name = 'gaps'")
    assert gridtools("styles", planned, "--restore", "--json").json["given"] == [
        layer.table for layer in ALL_LAYERS
    ]
    assert defaults(planned)["lanes"] == "gridtools"
    assert ask(planned, "SELECT styleQML FROM layer_styles WHERE styleName = 'mine'") == [("x",)]
    ((qml,),) = ask(planned, "SELECT styleQML FROM layer_styles WHERE f_table_name = 'gaps'")
    assert "renderer-v2" in qml


@pytest.mark.parametrize("sql", ["DROP TABLE layer_styles", "DELETE FROM layer_styles"])
def test_styles__puts_back_what_is_missing(gridtools, job, sql):
    ask(job, sql)
    gridtools("styles", job)
    assert defaults(job) == {layer.table: "gridtools" for layer in ALL_LAYERS}
    assert ask(job, "SELECT count(*) FROM gpkg_contents WHERE table_name = 'layer_styles'") == [
        (1,)
    ]


def test_styles__writes_sld_and_leaves_the_job_alone(gridtools, job, tmp_path):
    before = job.read_bytes()
    written = gridtools("styles", job, tmp_path / "sld", "--json").json["files"]
    assert job.read_bytes() == before
    assert written == sorted(f"{la.table}.sld" for la in ALL_LAYERS if la.geometry_type)
    assert sorted(p.name for p in (tmp_path / "sld").iterdir()) == written
    gridtools("styles", job, tmp_path / "sld")


def test_styles__does_not_write_over_a_style_of_another_program(gridtools, job, tmp_path):
    (tmp_path / "lanes.sld").write_text("<StyledLayerDescriptor/>")
    result = gridtools("styles", job, tmp_path, code=1)
    assert "lanes.sld was not written by gridtools" in result.err
    assert [p.name for p in tmp_path.glob("*.sld")] == ["lanes.sld"]
