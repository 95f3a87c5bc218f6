"""Current and calibration drawn."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sailanalysis.core.angles import Floats, cosd, sind, wrap360
from sailanalysis.core.series import epoch_s, running_mean
from sailanalysis.figures.spec import Spec, axis, clock_ticks, f32, layout, time_axis
from sailanalysis.figures.tables import usual_step_s
from sailanalysis.figures.thin import open_gaps, thinned


def _fitted_traces(time: Floats, value: Floats, low: Floats, high: Floats, of_set: bool
                   ) -> list[Spec]:
    """A fitted value through the day, and its interval where that can be drawn."""
    axis_name, traces = "y2" if of_set else "y", []
    good = np.isfinite(low) & np.isfinite(high)
    # A bearing's interval spans north or half the compass too easily to be shaded.
    if good.any() and not of_set:
        traces.append({"type": "scatter", "mode": "lines", "yaxis": axis_name, "fill": "toself",
                       "x": f32(np.concatenate([time[good], time[good][::-1]])),
                       "y": f32(np.concatenate([high[good], low[good][::-1]])),
                       "fillcolor": "~shade", "hoverinfo": "skip",
                       "line": {"width": 0, "color": "rgba(0,0,0,0)"}, "name": "95 % interval"})
    traces.append({"type": "scatter", "mode": "markers" if of_set else "lines",
                   "x": f32(time), "y": f32(value), "yaxis": axis_name,
                   "line": {"color": "~accent", "width": 2.6},
                   "marker": {"color": "~accent", "size": 5}, "name": "fitted",
                   "hovertemplate": "%{y:.1f}<extra></extra>"})
    return traces


def current_figure(samples: pd.DataFrame, fit: pd.DataFrame | None = None,
                   show_set: bool = True) -> Spec:
    """Drift and set through the day: half-minute means, and the fitted current with interval.

    Parameters
    ----------
    samples : DataFrame
    fit : DataFrame, optional
        Index ``time``; ``drift_kn, set_deg`` with ``_low`` and ``_high``.
    show_set : bool
        False where directions may not be told.
    """
    time = epoch_s(samples.index)
    t0 = float(time[0])
    end = float(time[-1] - t0)
    towards = samples["set_deg"].to_numpy(dtype=float)
    drift = samples["drift_kn"].to_numpy(dtype=float)
    east = running_mean(time, drift * sind(towards), 30.0)
    north = running_mean(time, drift * cosd(towards), 30.0)
    speed = np.hypot(east, north)
    to = wrap360(np.degrees(np.arctan2(east, north)))
    step = usual_step_s(time)
    limit = max(60.0, 3 * step)
    x1, y1 = thinned(time - t0, speed, 900, limit)
    stride = max(1, int(15 / step))
    x2, y2 = open_gaps((time - t0)[::stride], to[::stride], max_gap_s=max(limit, 2.5 * 15))
    weak = np.interp(x2, time - t0, np.where(np.isfinite(speed), speed, 0.0)) < 0.15
    data: list[Spec] = [
        {"type": "scatter", "mode": "lines", "x": f32(x1), "y": f32(y1), "name": "drift",
         "line": {"color": "~soft", "width": 1}, "hovertemplate": "%{y:.1f} kn<extra></extra>"}]
    if show_set:
        data.append({"type": "scatter", "mode": "markers", "x": f32(x2),
                     "y": f32(np.where(weak, np.nan, y2)), "yaxis": "y2", "name": "set",
                     "marker": {"color": "~soft", "size": 3, "symbol": "square"},
                     "hovertemplate": "towards %{y:.0f}°<extra></extra>"})
    if fit is not None and len(fit):
        for what in ("drift_kn", "set_deg") if show_set else ("drift_kn",):
            kind, unit = what.split("_")
            value, low, high = (fit[c].to_numpy(dtype=float) for c in (
                what, f"{kind}_low_{unit}", f"{kind}_high_{unit}"))
            data += _fitted_traces(epoch_s(fit.index) - t0, value, low, high, kind == "set")
    frame = layout(
        360 if show_set else 260, t0, ("xaxis",),
        xaxis=time_axis(range=[0, max(end, 1.0)], anchor="y2" if show_set else "y",
                        **clock_ticks(0, end, t0)),
        yaxis=axis("drift (kn)", domain=[0.55, 1.0] if show_set else [0, 1], rangemode="tozero"))
    if show_set:
        frame["yaxis2"] = axis("set (° true)", domain=[0.0, 0.45], range=[0, 360],
                               tickvals=[0, 90, 180, 270, 360])
    return {"data": data, "layout": frame}


def before_after_figure(table: pd.DataFrame) -> Spec:
    """Each symmetry before and after, with intervals, in units of its own row."""
    rows = table.reset_index(drop=True)
    labels = [f"{w} ({str(u).replace('deg', '°')})" for w, u in
              zip(rows["what"], rows["unit"], strict=True)]
    data = []
    for shift, name, colour, symbol in ((-0.16, "before", "~c1", "circle-open"),
                                        (0.16, "after", "~c0", "circle")):
        v, a, b = (rows[c].to_numpy(dtype=float) for c in (name, f"{name}_low", f"{name}_high"))
        data.append({
            "type": "scatter", "mode": "markers", "x": f32(v),
            "y": f32(np.arange(len(rows)) + shift), "name": name,
            "error_x": {"type": "data", "symmetric": False, "array": f32(b - v),
                        "arrayminus": f32(v - a), "color": colour, "thickness": 1.5, "width": 4},
            "marker": {"color": colour, "symbol": symbol, "size": 10},
            "hovertemplate": f"{name}: %{{x:.2f}}<extra></extra>"})
    return {"data": data, "layout": layout(
        100 + 68 * len(rows), showlegend=True,
        xaxis=axis("difference (0 is right)", zeroline=True, zerolinecolor="~soft"),
        yaxis=axis("", tickvals=list(range(len(rows))), ticktext=labels, showgrid=False,
                   range=[len(rows) - 0.5, -0.5]))}


def deviation_figure(curve: pd.DataFrame) -> Spec:
    """Compass correction against heading with its interval."""
    h, v, a, b = (curve[c].to_numpy(dtype=float) for c in
                  ("hdg_deg", "correction_deg", "low_deg", "high_deg"))
    return {"data": [
        {"type": "scatter", "mode": "lines", "x": f32(np.concatenate([h, h[::-1]])),
         "y": f32(np.concatenate([b, a[::-1]])), "fill": "toself", "fillcolor": "~shade",
         "line": {"width": 0, "color": "rgba(0,0,0,0)"}, "hoverinfo": "skip",
         "name": "95 % interval"},
        {"type": "scatter", "mode": "lines", "x": f32(h), "y": f32(v), "name": "correction",
         "line": {"color": "~accent", "width": 2.4},
         "hovertemplate": "%{x:.0f}°: %{y:+.1f}°<extra></extra>"}],
        "layout": layout(320, xaxis=axis("logged heading (°)", range=[0, 360], dtick=45),
                         yaxis=axis("to add (°)", zeroline=True, zerolinecolor="~soft"))}
