"""Trials and load drawn."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sailanalysis.core.series import epoch_s
from sailanalysis.core.ship_time import told_s
from sailanalysis.figures.spec import Spec, axis, clock_ticks, f32, layout, time_axis
from sailanalysis.figures.tables import numbers, seconds, texts
from sailanalysis.figures.thin import thinned

_MARK = {"faster": "triangle-right", "slower": "triangle-left"}


def trials_figure(table: pd.DataFrame) -> Spec:
    """Gain of each trial with its interval, zero marked."""
    gain, low, high = (numbers(table, c) for c in ("gain_kn", "gain_low_kn", "gain_high_kn"))
    mine = np.flatnonzero(np.isfinite(gain))
    verdict = texts(table, "verdict")
    at = seconds(table["time"])
    what = texts(table, "what")
    labels = [f"{np.datetime64(int(told_s(float(at[i]))), 's').astype(object):%H:%M} {what[i][:40]}"
              for i in mine]
    rows = np.arange(mine.size)
    data = [{
        "type": "scatter", "mode": "markers", "x": f32(gain[mine]), "y": rows.tolist(),
        "error_x": {"type": "data", "symmetric": False, "array": f32(high[mine] - gain[mine]),
                    "arrayminus": f32(gain[mine] - low[mine]), "color": "~accent",
                    "thickness": 1.6, "width": 4},
        "marker": {"size": 11, "color": "~accent",
                   "symbol": [_MARK.get(verdict[i], "circle-open") for i in mine]},
        "text": [f"{verdict[i]}: {gain[i]:+.2f} kn" for i in mine],
        "hovertemplate": "%{text}<extra></extra>", "name": "gain"}]
    return {"data": data, "layout": layout(
        90 + 44 * mine.size,
        xaxis=axis("gain in boat speed (kn)", zeroline=True, zerolinecolor="~soft"),
        yaxis=axis("", tickvals=rows.tolist(), ticktext=labels, showgrid=False,
                   range=[mine.size - 0.5, -0.5]))}


def load_figure(samples: pd.DataFrame) -> Spec:
    """Weight above light ship through the day."""
    time = epoch_s(samples.index)
    t0 = float(time[0])
    x, y = thinned(time - t0, samples["load_kg"].to_numpy(dtype=float), 800, 60.0)
    end = float(time[-1] - t0)
    return {"data": [{"type": "scatter", "mode": "lines", "x": f32(x), "y": f32(y),
                      "line": {"color": "~accent", "width": 2, "shape": "hv"},
                      "hovertemplate": "%{y:.0f} kg<extra></extra>", "name": "load"}],
            "layout": layout(260, t0, ("xaxis",),
                             xaxis=time_axis(range=[0, max(end, 1.0)], **clock_ticks(0, end, t0)),
                             yaxis=axis("above light ship (kg)"))}
