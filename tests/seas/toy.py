"""Small made-up logs whose truth can be read off by hand: a steady wind, a heading, a speed."""

import numpy as np
import pandas as pd

T0 = 1_750_000_000.0


def toy_log(heading_deg, stw_kn, wind_from_deg=0.0, tws_kn=12.0, rate_hz=1.0, start_s=T0, **more):
    """Samples of a boat in a wind that the sensors see without error.

    ``heading_deg`` and ``stw_kn`` are arrays at ``rate_hz``; ``wind_from_deg`` a number or array.
    """
    n = len(heading_deg)
    head = np.asarray(heading_deg, dtype=float)
    twd = np.broadcast_to(np.asarray(wind_from_deg, dtype=float), (n,))
    twa = 180.0 - (180.0 - (twd - head)) % 360.0
    stw = np.broadcast_to(np.asarray(stw_kn, dtype=float), (n,))
    tws = np.broadcast_to(np.asarray(tws_kn, dtype=float), (n,))
    ahead, abeam = tws * np.cos(np.radians(twa)) + stw, tws * np.sin(np.radians(twa))
    frame = pd.DataFrame({
        "hdg_deg": head % 360.0, "cog_deg": head % 360.0, "stw_kn": stw, "sog_kn": stw,
        "twa_deg": twa, "twd_deg": twd % 360.0, "tws_kn": tws,
        "awa_deg": np.degrees(np.arctan2(abeam, ahead)), "aws_kn": np.hypot(ahead, abeam),
        "vmg_kn": stw * np.cos(np.radians(twa)), "state": "sailing", "helm": "", "sails": "",
        **more})
    stamp = start_s + np.arange(n) / rate_hz
    frame.index = pd.DatetimeIndex((stamp * 1e6).round().astype("int64").astype("datetime64[us]"),
                                   tz="UTC", name="time")
    return frame


def ramp(t, start, end, before, after):
    """``before`` until ``start``, then a straight line to ``after`` at ``end``."""
    return before + (after - before) * np.clip((t - start) / (end - start), 0.0, 1.0)


def seconds(stamp, start_s=T0):
    """Seconds from the log's start of a time."""
    return stamp.timestamp() - start_s
