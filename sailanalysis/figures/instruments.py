"""Current and calibration drawn."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sailanalysis.angles import cosd, sind, wrap360
from sailanalysis.figures.spec import Spec, axis, clock_ticks, f32, layout, time_axis
from sailanalysis.figures.thin import open_gaps, thinned
from sailanalysis.series import epoch_s, running_mean


def current_figure(samples: pd.DataFrame, calibration: Any = None) -> Spec:
    """Drift and set through the day, half-minute vector means."""
    time = epoch_s(samples.index)
    t0 = float(time[0])
    end = float(time[-1] - t0)
    towards = samples["set_deg"].to_numpy(dtype=float)
    drift = samples["drift_kn"].to_numpy(dtype=float)
    east = running_mean(time, drift * sind(towards), 30.0)
    north = running_mean(time, drift * cosd(towards), 30.0)
    speed = np.hypot(east, north)
    to = wrap360(np.degrees(np.arctan2(east, north)))
    step = float(np.median(np.diff(time))) if time.size > 1 else 1.0
    limit = max(60.0, 3 * step)
    x1, y1 = thinned(time - t0, speed, 900, limit)
    stride = max(1, int(15 / step))
    x2, y2 = open_gaps((time - t0)[::stride], to[::stride], max_gap_s=max(limit, 2.5 * 15))
    weak = np.interp(x2, time - t0, np.where(np.isfinite(speed), speed, 0.0)) < 0.15
    data = [
        {"type": "scatter", "mode": "lines", "x": f32(x1), "y": f32(y1), "name": "drift",
         "line": {"color": "~accent", "width": 1.8},
         "hovertemplate": "%{y:.1f} kn<extra></extra>"},
        {"type": "scatter", "mode": "markers", "x": f32(x2),
         "y": f32(np.where(weak, np.nan, y2)), "yaxis": "y2", "name": "set",
         "marker": {"color": "~c1", "size": 3, "symbol": "square"},
         "hovertemplate": "towards %{y:.0f}°<extra></extra>"}]
    return {"data": data, "layout": layout(
        340, t0, ("xaxis",),
        xaxis=time_axis(range=[0, max(end, 1.0)], anchor="y2", **clock_ticks(0, end, t0)),
        yaxis=axis("drift (kn)", domain=[0.55, 1.0], rangemode="tozero"),
        yaxis2=axis("set (° true)", domain=[0.0, 0.45], range=[0, 360],
                    tickvals=[0, 90, 180, 270, 360]))}
