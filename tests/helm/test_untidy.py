"""Untidy days: whatever is missing, slow, stuck or broken, a result or a reason, never a crash."""

import numpy as np
import pandas as pd
import pytest

from sailanalysis.core.model import Boat, CrewEntry, CrewLog
from sailanalysis.helm.rate import HELM_COLUMNS, rate_helming
from sailanalysis.trials.changes import COLUMNS, judge_trials


def untidy(seed):
    """A random hour: rates, gaps, NaN, stuck sensors, missing columns, odd legs."""
    rng = np.random.default_rng(seed)
    rate = float(rng.choice([0.5, 1.0, 2.0, 5.0, 10.0]))
    n = int(1500 * rate)
    t = np.arange(n) / rate
    index = pd.date_range("2031-06-01 09:00", periods=n, freq=pd.Timedelta(seconds=1 / rate),
                          tz="UTC", name="time")
    samples = pd.DataFrame({
        "rudder_deg": 3 * np.sin(t / rng.uniform(0.5, 4)) + rng.normal(0, 0.3, n),
        "hdg_deg": (rng.uniform(0, 360) + 4 * np.sin(t / 5)) % 360,
        "stw_kn": rng.uniform(0.2, 15) + rng.normal(0, 0.2, n),
        "tws_kn": rng.uniform(1, 35) + np.cumsum(rng.normal(0, 0.02, n)),
        "twa_deg": rng.choice([-178.0, -90, 20, 45, 150, 179]) + rng.normal(0, 5, n),
        "heel_deg": 10 * np.sin(t / 0.7), "trim_deg": 2 * np.sin(t / 0.6),
        "rate_of_turn_deg_s": np.cos(t / 5)}, index=index)
    samples["twa_deg"] = (samples["twa_deg"] + 180) % 360 - 180
    samples["helm"] = rng.choice(["Ada", "Bo", "autopilot", ""], 6)[(t // 251).astype(int)]
    samples["state"] = np.where(t < rng.uniform(0, 400), "motoring", "sailing")
    for name in samples.columns[:8]:
        kind = rng.integers(0, 9)
        if kind == 0:
            samples = samples.drop(columns=name)
        elif kind == 1:
            samples.loc[rng.random(n) < rng.uniform(0, 1), name] = np.nan
        elif kind == 2:
            samples[name] = float(samples[name].iloc[0])
        elif kind == 3:
            samples[name] = np.nan
        elif kind == 4:
            keep = np.arange(n) % max(2, int(rate * rng.choice([1, 5, 90]))) == 0
            samples[name] = np.interp(t, t[keep], samples[name].to_numpy()[keep])
    if rng.random() < 0.4:
        a = int(rng.integers(0, n - n // 5))
        samples = samples.drop(samples.index[a:a + n // 6])
    starts = np.sort(rng.uniform(0, 1500, 5))
    legs = pd.DataFrame({"start": index[0] + pd.to_timedelta(starts, unit="s"),
                         "end": index[0] + pd.to_timedelta(np.append(starts[1:], 1500) - 5, unit="s"),
                         "twa_deg": rng.choice([40.0, 95.0, 160.0, np.nan], 5)})
    maneuvers = pd.DataFrame({"start": legs["end"], "end": legs["end"] + pd.Timedelta(seconds=15)})
    native = {name: float(rng.choice([rate, rate / 2, rate / 10, 0.01])) for name in samples.columns}
    zero = index[0].timestamp()
    crew = CrewLog(tuple(CrewEntry(zero + s, "trim", str(rng.choice(["", "20", "x in", "= y"])))
                         for s in np.sort(rng.uniform(-100, 1700, 4))))
    return samples, legs, maneuvers, native, crew


@pytest.mark.parametrize("seed", range(60))
def test_any_untidy_day_gives_a_result_or_a_reason(seed):
    samples, legs, maneuvers, native, crew = untidy(seed)
    rows, result = rate_helming(samples, legs, maneuvers, Boat(), native)
    assert tuple(rows.columns) == HELM_COLUMNS
    assert len(rows) or result.reasons
    scored = rows[rows.smoothness.notna()]
    assert (scored.minutes >= 3 - 1e-9).all()
    assert ((scored.smoothness_low <= scored.smoothness)
            & (scored.smoothness <= scored.smoothness_high)).all()
    assert (rows.loc[rows.smoothness.isna(), "why_not"] != "").all()
    assert all(isinstance(text, str) and text for text in result.sentences)
    numbers = rows.select_dtypes("number").to_numpy(dtype=float)
    assert not np.isinf(numbers).any()
    table, _ = judge_trials(samples, legs, maneuvers, crew, lambda w, a: 3 + 0.2 * np.asarray(w))
    assert tuple(table.columns) == COLUMNS
    assert (table.verdict == "not enough data").equals(table.gain_kn.isna())
