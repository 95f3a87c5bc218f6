"""A spike is measured against the sensor's own scatter: just inside and just outside."""

import numpy as np
import pytest

from sailanalysis.condition.marks import is_spike


@pytest.mark.parametrize(("height", "spike"), [(5.4, False), (6.6, True), (-6.6, True)])
def test_six_robust_deviations(height, spike):
    """Readings about 40 with a scatter known by its median: 1.4826 times 10 is one deviation."""
    x = 40.0 + np.tile([0.0, 10.0, 0.0, -10.0], 30)
    # The median of seven is 40 throughout; of the 31 samples about the sixtieth 16 stray by 10.
    x[60] += height * 14.826
    got = is_spike("aws_kn", np.arange(x.size), x)
    assert got[60] == spike and got.sum() == int(spike)


@pytest.mark.parametrize(("leap", "spike"), [(9.9, False), (10.1, True)])
def test_a_quiet_sensor_is_judged_by_what_the_quantity_can_do(leap, spike):
    x = np.full(120, 15.0)
    x[60] += leap
    assert is_spike("aws_kn", np.arange(120.0), x)[60] == spike


@pytest.mark.parametrize(("width", "spike"), [(3, True), (4, False)])
def test_three_samples_are_a_spike_four_are_not(width, spike):
    x = np.full(120, 6.0)
    x[60:60 + width] += 5.0
    assert is_spike("stw_kn", np.arange(120.0), x).sum() == (width if spike else 0)
