import numpy as np
import pytest

from gridtools.errors import InputError
from gridtools.formats.trials import read_trials


def test_trials__feet_semicolons_and_decimal_commas():
    table = read_trials(b"# note\nLateral ft;Responded\n-10;Y\n3,5;0\n", "t.csv")
    assert table.trials.lateral_m.tolist() == pytest.approx([-3.048, 1.0668])
    assert table.trials.responded.tolist() == [True, False]
    assert np.isnan(table.depth_m).all()
    assert table.trials.piece.tolist() == ["", ""]


def test_trials__all_columns_and_those_unread():
    text = b"lateral_m,responded,heading,depth_ft,object,place,mood\n1,TRUE,90,2,drum,A,good\n"
    table = read_trials(text, "t.csv")
    assert table.trials.heading_deg.tolist() == [90.0]
    assert table.depth_m.tolist() == pytest.approx([0.6096])
    assert (table.object[0], table.trials.piece[0]) == ("drum", "A")
    assert table.unread == ("mood",)


def test_trials__picked_by_object_and_depth():
    text = b"lateral_m,responded,object,depth_m\n1,yes,drum,1\n2,no,drum,2\n3,no,box,1\n"
    table = read_trials(text, "t.csv")
    assert table.of("t.csv", "drum", 2.0).trials.lateral_m.tolist() == [2.0]
    with pytest.raises(InputError, match="--depth"):
        table.of("t.csv", "drum", None)
    with pytest.raises(InputError, match="--object"):
        table.of("t.csv", None, 1.0)
    with pytest.raises(InputError, match="no test pass over"):
        table.of("t.csv", "box", 2.0)


def test_trials__bad_value_names_row_and_column():
    with pytest.raises(InputError, match=r"t.csv.*row 3, column lateral_m: 'far'"):
        read_trials(b"lateral_m,responded\n1,yes\nfar,no\n", "t.csv")
