from gridtools.layers import ALL_LAYERS


def test_layers__names_every_layer_and_column(gridtools):
    out = gridtools("layers").out
    for layer in ALL_LAYERS:
        assert f"\n{layer.table} (" in "\n" + out
        for column in layer.columns():
            assert f"  {column.name} " in out


def test_layers__one(gridtools):
    assert gridtools("layers", "gaps").out.startswith("gaps (Polygon")
    assert "moat" in gridtools("layers", "moat", code=1).err
