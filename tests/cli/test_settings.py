import pytest

from gridtools.cli._settings import sensor_curve
from gridtools.errors import InputError, MissingError
from gridtools.job import Job
from gridtools.layers import SweepWidths
from gridtools.sensor.curves import HazardRate, InverseCube
from gridtools.sensor.stored import stored_curve


def keep(path, **row):
    with Job.open(path) as job, job.change("spacing") as change:
        change.append(SweepWidths.build(curve_id=["W001"], **row))
        change.set("sweep_curve", "W001")
        change.set("sweep_width_m", row["width_m"], "m", row["basis"])


def test_sensor_curve__the_chosen_one(job):
    keep(job, kind="hazard rate", width_m=3.5, parameters='{"peak": 0.9, "steepness": 5.0}',
         basis="measured", dependence=0.4, low_m=3.0, high_m=4.0)  # fmt: skip
    with Job.open(job) as opened:
        found = sensor_curve(opened)
    assert found == (HazardRate(3.5, steepness=5.0, peak=0.9), "measured", 0.4, "", None)


def test_sensor_curve__a_width_given_since_stands_for_another_curve(job, gridtools):
    keep(job, kind="hazard rate", width_m=3.5, parameters='{"steepness": 5.0}', basis="measured")
    gridtools("lanes", job, "--spacing", "2m", "--sweep-width", "4m")
    with Job.open(job) as opened:
        found = sensor_curve(opened)
    assert found.curve == InverseCube(4.0)
    assert found.basis == "given"
    assert "inverse cube law of 4.00 m is assumed" in found.assumption


def test_sensor_curve__needs_a_width(job):
    with Job.open(job) as opened, pytest.raises(MissingError, match="no sweep width"):
        sensor_curve(opened)


@pytest.mark.parametrize(
    "parameters", ["{", "[1]", '{"peak": 3}', '{"colour": 1}', '{"peak": "x"}']
)
def test_stored__a_row_that_holds_no_curve_is_named(parameters):
    row = SweepWidths.build(
        curve_id=["W007"], kind="half-normal", width_m=4.0, parameters=parameters
    )
    with pytest.raises(InputError, match="sweep_widths, W007"):
        stored_curve(row)
