"""Trim trials on invented boats: steady sailing in gusty, drifting wind with a known change.

The hull follows the wind at her sails late; the masthead sees its own turbulence; something slow
that nobody logs drifts through; the polar given to the analysis is off by a known share. Nothing
here is shared with the package.
"""

import numpy as np
import pandas as pd

from sailanalysis.core.model import CrewEntry, CrewLog


def noise(rng, n, rate, seconds):
    """First-order noise of unit sd."""
    from scipy.signal import lfilter

    keep = np.exp(-1.0 / (rate * seconds))
    lead = int(5 * seconds * rate)
    return lfilter([np.sqrt(1 - keep**2)], [1, -keep], rng.standard_normal(n + lead))[lead:]


def boat_speed(tws, twa, hull=7.0, light=0.55):
    """Speed that grows with the wind and levels off below hull speed; best near 100 deg."""
    free = light * tws * (0.55 + 0.45 * np.sin(np.radians(np.clip(twa, 20, 180) * 0.9)))
    return hull * (1 - np.exp(-free / hull)) * np.clip((twa - 18) / 22, 0.05, 1.0) ** 0.15


def trial(seed, gains=(0.3,), minutes=5.0, rate=1.0, tws=None, twa=None, drift_kn=0.04,
          polar_error=None, quantum_kn=0.01, gustiness=0.10, lead_min=0.5, helm=""):
    """Sail straight on with a change every ``minutes``; each gain is what the change does.

    Returns
    -------
    samples, crew, speed_model
    """
    rng = np.random.default_rng(seed)
    tws = rng.uniform(7, 20) if tws is None else tws
    twa = rng.choice([42.0, 90.0, 150.0]) if twa is None else twa
    polar_error = rng.normal(0, 0.2) if polar_error is None else polar_error
    hull = rng.uniform(5.5, 9.0)
    n = int((minutes * (len(gains) + 1) + 2 * lead_min) * 60 * rate)
    slow = tws * (1 + 0.05 * noise(rng, n, rate, 900.0))
    gust = slow * (1 + gustiness * noise(rng, n, rate, 25.0))
    angle = twa + 3.0 * noise(rng, n, rate, 40.0) + 2.0 * noise(rng, n, rate, 300.0)
    extra = np.zeros(n)
    at = []
    for k, gain in enumerate(gains):
        i = int((lead_min + minutes * (k + 1)) * 60 * rate)
        extra[i:] += gain
        at.append(i / rate)
    felt = gust + 0.04 * slow * noise(rng, n, rate, 8.0)
    goal = boat_speed(felt, angle, hull) + extra + drift_kn * noise(rng, n, rate, 400.0)
    speed = np.empty(n)
    v = goal[0]
    lag = rng.uniform(8.0, 20.0)
    for i in range(n):
        v += (goal[i] - v) / (lag * rate)
        speed[i] = v
    speed = speed + 0.12 * noise(rng, n, rate, 2.0) * (tws / 12.0)
    time = pd.date_range("2031-06-01 10:00:03", periods=n, freq=pd.Timedelta(seconds=1 / rate),
                         tz="UTC", name="time").as_unit("us")
    samples = pd.DataFrame({
        "stw_kn": np.round(speed / quantum_kn) * quantum_kn,
        "tws_kn": gust + 0.03 * slow * rng.standard_normal(n),
        "twa_deg": angle + 2.0 * rng.standard_normal(n),
        "helm": np.full(n, helm, dtype=object),
        "state": np.full(n, "sailing", dtype=object)}, index=time)
    start = time[0].timestamp()
    words = ("mainsheet eased 10 cm", "mainsheet trimmed 10 cm")
    crew = CrewLog(tuple(CrewEntry(start + t, "trim", words[k % 2]) for k, t in enumerate(at)))

    def speed_model(wind, off):
        """The true polar with its slope off by a share, and a level off as polars are."""
        middle = boat_speed(np.full_like(wind, tws), np.full_like(wind, twa), hull)
        return 0.97 * middle + (1 + polar_error) * (
            boat_speed(wind, np.abs(off), hull) - middle)

    return samples, crew, speed_model
