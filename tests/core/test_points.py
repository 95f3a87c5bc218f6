"""Point of sail: one definition, with its borders on both sides."""

import numpy as np
import pytest

from sailanalysis.core.points import (
    DOWNWIND_TWA_DEG,
    POINTS,
    UPWIND_TWA_DEG,
    is_downwind,
    is_upwind,
    point_of_sail,
)


@pytest.mark.parametrize(("twa_deg", "point"), [
    (42.0, "upwind"), (-42.0, "upwind"), (64.9, "upwind"), (65.0, "reach"), (90.0, "reach"),
    (125.0, "reach"), (-125.0, "reach"), (125.1, "downwind"), (-160.0, "downwind"),
    (180.0, "downwind"), (float("nan"), "")])
def test_point_of_sail(twa_deg, point):
    assert point_of_sail(twa_deg) == point


def test_masks_and_names_agree():
    twa = np.arange(-180.0, 181.0, 0.5)
    names = np.array([point_of_sail(x) for x in twa])
    assert set(names) == set(POINTS)
    assert (is_upwind(twa) == (names == "upwind")).all()
    assert (is_downwind(twa) == (names == "downwind")).all()
    assert not is_upwind(np.nan) and not is_downwind(np.nan)


def test_usual_best_angles_lie_inside():
    # common practice: 40-60 deg to windward, 130-175 deg downwind
    assert UPWIND_TWA_DEG >= 60 and DOWNWIND_TWA_DEG <= 130
