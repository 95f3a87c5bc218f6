"""A tack's mean direction is head to wind; that makes no engine."""

import numpy as np
import pandas as pd
import pytest

from sailanalysis.core.model import CrewLog
from sailanalysis.core.series import utc_index
from sailanalysis.segment import find_states


def straight(seconds, **columns):
    time = np.arange(0.0, seconds, 1.0)
    frame = {"sog_kn": 5.0, "stw_kn": 5.0, "twa_deg": 42.0, "tws_kn": 12.0, "awa_deg": 30.0, "heel_deg": np.nan}
    frame |= columns
    return pd.DataFrame({k: np.broadcast_to(v, time.shape) for k, v in frame.items()}, index=utc_index(1.7e9 + time))


@pytest.mark.parametrize("dip", [0.0, 0.3, 0.6])
def test_cheap_tacks_are_sailing(dip):
    time = np.arange(0.0, 1800.0)
    side = np.where((time // 120) % 2 == 0, 1.0, -1.0)
    since = time % 120.0
    speed = 5.0 * (1 - dip * np.exp(-since / 8.0))
    log = straight(1800, twa_deg=42.0 * side, awa_deg=30.0 * side, stw_kn=speed, sog_kn=speed)
    state = find_states(log, CrewLog()).state
    assert (state == "sailing").all()


def test_six_knots_into_the_wind_is_motoring():
    wobble = 6.0 * np.sin(np.arange(600.0))
    log = straight(600, twa_deg=wobble, awa_deg=wobble, stw_kn=6.0, sog_kn=6.0)
    found = find_states(log, CrewLog())
    state, findings = found.state, found.findings
    assert (state == "motoring").all()
    assert [f.code for f in findings] == ["engine-inferred"]
