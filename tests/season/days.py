"""Small whole days for the archive's tests."""

import numpy as np
import pandas as pd

from sailanalysis.core.model import Boat, CrewLog
from sailanalysis.day import Day


def small_day(date="2026-05-02 10:00", minutes=10, speed=6.0, seed=0):
    """A day of one long reach at 1 Hz; ``speed`` marks its content."""
    rng = np.random.default_rng(seed)
    n = int(minutes * 60)
    index = pd.date_range(date, periods=n, freq="1s", tz="UTC", name="time").as_unit("us")
    samples = pd.DataFrame({
        "lat": 54.0 + np.arange(n) * 1e-5, "lon": 10.0, "stw_kn": speed + rng.normal(0, .1, n),
        "tws_kn": 12 + rng.normal(0, .5, n), "twa_deg": 90 + rng.normal(0, 2, n),
        "twd_deg": 200.0, "helm": np.full(n, "Ada", object), "sails": np.full(n, "main+jib", object),
        "state": np.full(n, "sailing", object)}, index=index)
    legs = pd.DataFrame({"start": [index[0]], "end": [index[-1]], "side": ["starboard"],
                         "twa_deg": [90.0], "tws_kn": [12.0], "stw_kn": [speed],
                         "sails": ["main+jib"], "helm": ["Ada"]})
    maneuvers = pd.DataFrame({"kind": ["tack"], "start": [index[0]], "end": [index[5]],
                              "loss_m": [20.0], "rated": [True], "why_not": [""],
                              "helm": ["Ada"], "recovery_s": [10.0]})
    empty = pd.DataFrame()
    return Day(samples=samples, rate_hz=1.0, maneuvers=maneuvers, legs=legs, polar=empty,
               targets=empty, helm=empty, trials=empty,
               calibration={"stw_factor": {"value": 1.02, "low": 1.0, "high": 1.04,
                                           "determined": True, "why_not": ""}},
               wind_source="instruments", boat=Boat(name="Skarv"), crew=CrewLog(), inputs=(),
               findings=(), summary={"start": str(index[0]), "tacks": 1, "duration_s": float(n)})
