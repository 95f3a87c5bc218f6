"""Maneuvers drawn: aligned at the crossing, each track with the wind up the page, their parts."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.angles import cosd, mean_angle, sind
from sailanalysis.core.series import epoch_s
from sailanalysis.figures.chart import chart_of, positions
from sailanalysis.figures.palette import category
from sailanalysis.figures.spec import Spec, axis, f32, layout
from sailanalysis.figures.tables import flags, numbers, seconds, texts, usual_step_s

Floats = NDArray[np.float64]
BEFORE_S, AFTER_S, STEP_S = 30.0, 75.0, 0.5
PANELS = (("stw_kn", "boat speed (kn)"), ("twa_deg", "wind angle, old side positive (°)"),
          ("rate_of_turn_deg_s", "rate of turn (°/s)"), ("vmg_kn", "VMG (kn)"))


def standing_out(table: pd.DataFrame) -> tuple[int | None, int | None]:
    """Row positions of the cheapest and of the median rated maneuver by loss."""
    loss = np.where(flags(table, "rated"), numbers(table, "loss_m"), np.nan)
    order = np.argsort(loss)[: int(np.isfinite(loss).sum())]
    if order.size == 0:
        return None, None
    return int(order[0]), (int(order[(order.size - 1) // 2]) if order.size > 2 else None)


def _turned(column: str, y: Floats, grid: Floats, sign: float, is_own: bool) -> Floats:
    """A trace as if from starboard: wind angle from its old side, turning to the positive."""
    if column == "twa_deg":
        return _cut(y if is_own else sign * y)
    near = y[(grid > -8) & (grid < 8)]
    if column == "rate_of_turn_deg_s" and np.isfinite(near).any() and np.nanmean(near) < 0:
        return -1 * y
    return y


def _style_of(i: int, best: int | None, median: int | None) -> Spec:
    """Line of one maneuver among the others."""
    if i == best:
        return {"color": "~c0", "width": 3.0, "dash": "solid"}
    if i == median:
        return {"color": "~c1", "width": 2.6, "dash": "dash"}
    return {"color": "~none", "width": 1.0, "dash": "solid"}


def _axis_name(number: int) -> str:
    return str(number) if number > 1 else ""


def _panel_frame(panels: list[tuple[str, str]]) -> tuple[Spec, list[Spec]]:
    """Axes of the panels one below the other, and their headings."""
    axes: Spec = {}
    notes: list[Spec] = []
    top = 1.0
    for number, (_, label) in enumerate(panels, start=1):
        low = top - 1.0 / len(panels)
        axes["yaxis" + _axis_name(number)] = axis(
            "", domain=[max(low + 0.03, 0.0), top - 0.045], anchor="x", nticks=5)
        notes.append({"xref": "paper", "yref": "paper", "x": 0, "y": top - 0.04, "xanchor": "left",
                      "yanchor": "bottom", "showarrow": False, "text": label,
                      "font": {"size": 12, "color": "~soft"}})
        top = low
    return axes, notes


def overlay_figure(samples: pd.DataFrame, table: pd.DataFrame, names: list[str],
                   traces: dict[int, pd.DataFrame] | None = None) -> Spec:
    """Traces of alike maneuvers aligned at the crossing, best and median standing out.

    Parameters
    ----------
    samples, table : DataFrame
        ``table`` holds maneuvers of one kind.
    names : list of str
        One label a row.
    traces : dict of int to DataFrame, optional
        By index label of ``table``: ``t_s`` from the crossing and the panels' columns, angles
        already turned so that the old side is positive. Without it the samples are drawn.
    """
    time = epoch_s(samples.index)
    t0, step = float(time[0]), usual_step_s(time)
    cross, start, end = (seconds(table[c]) for c in ("crossing", "start", "end"))
    cross = np.where(np.isfinite(cross), cross, (start + end) / 2)
    best, median = standing_out(table)
    sides = texts(table, "from_side")
    grid = np.arange(-BEFORE_S, AFTER_S + STEP_S / 2, STEP_S)
    panels = [(c, label) for c, label in PANELS if c in samples and samples[c].notna().any()]
    data: list[Spec] = []
    last = [i for i in (median, best) if i is not None]
    for i in [*(i for i in range(len(table)) if i not in last), *last]:
        sign = 1.0 if sides[i] != "port" else -1.0
        own = _columns((traces or {}).get(int(table.index[i])))
        own_step = usual_step_s(own["t_s"]) if own else 0.0
        word = {best: "best", median: "median"}.get(i, names[i])
        for number, (column, _) in enumerate(panels, start=1):
            if column in own:
                y = _aligned(own["t_s"], own[column], grid, own_step)
            else:
                y = _aligned(time, samples[column].to_numpy(dtype=float), cross[i] + grid, step)
            data.append({
                "type": "scatter", "mode": "lines", "x0": -BEFORE_S, "dx": STEP_S,
                "y": f32(_turned(column, y, grid, sign, bool(own))),
                "xaxis": "x", "yaxis": "y" + _axis_name(number),
                "line": _style_of(i, best, median), "opacity": 1.0 if i in last else 0.75,
                "name": word, "showlegend": number == 1 and i in last, "text": names[i],
                "hovertemplate": names[i] + "<br>%{x:.0f} s: %{y:.1f}<extra></extra>",
                "meta": {"role": "focus",
                         "focus": [float(start[i] - t0), float(end[i] - t0), names[i]]}})
    height = 60 + 150 * max(len(panels), 1)
    spec: Spec = {"data": data, "layout": layout(height, showlegend=True)}
    frame = spec["layout"]
    frame["margin"] = {"l": 60, "r": 14, "t": 40, "b": 48}
    frame["legend"]["y"] = 1.0
    frame["xaxis"] = axis("seconds from passing the wind", range=[-BEFORE_S, AFTER_S],
                          anchor="free", position=0.0, dtick=15)
    axes, frame["annotations"] = _panel_frame(panels)
    frame.update(axes)
    frame["shapes"] = [{"type": "line", "xref": "x", "yref": "paper", "x0": 0, "x1": 0, "y0": 0,
                        "y1": 1, "line": {"color": "~soft", "width": 1, "dash": "dot"}}]
    return spec


def _columns(trace: pd.DataFrame | None) -> dict[str, Floats]:
    """A trace's columns; none for no trace."""
    if trace is None:
        return {}
    return dict(zip(trace.columns, trace.to_numpy(dtype=float).T, strict=True))


def _cut(angle: Floats) -> Floats:
    """Break the pen where an angle jumps from one side to the other by way of astern."""
    out = angle.copy()
    with np.errstate(invalid="ignore"):
        out[1:][np.abs(np.diff(angle)) > 180] = np.nan
    return out


def _aligned(time: Floats, value: Floats, at: Floats, step_s: float) -> Floats:
    """Nearest-sample values at the wanted instants, NaN where the log has a hole."""
    i = np.clip(np.searchsorted(time, at), 1, time.size - 1)
    i = np.where(at - time[i - 1] < time[i] - at, i - 1, i)
    near = np.abs(time[i] - at) <= max(1.1 * step_s, STEP_S)
    return np.where(near, value[i], np.nan)


def wind_up_figure(samples: pd.DataFrame, table: pd.DataFrame, names: list[str],
                   traces: dict[int, pd.DataFrame] | None = None, across: int = 5) -> Spec | None:
    """Small drawings of each maneuver's track, the wind blowing down the page, one scale.

    With ``traces`` the track is the one through the water, else the one over ground. Returns None
    where the log holds no positions or no wind direction.
    """
    if not len(table):
        return None
    time = epoch_s(samples.index)
    t0 = float(time[0])
    cross, start, end = (seconds(table[c]) for c in ("crossing", "start", "end"))
    cross = np.where(np.isfinite(cross), cross, (start + end) / 2)
    loss, rated = numbers(table, "loss_m"), flags(table, "rated")
    best, median = standing_out(table)
    drawn = (_from_traces(table, traces, start - cross, end - cross) if traces
             else _from_positions(samples, time, cross, start, end))
    if not drawn:
        return None
    reach = max(float(np.percentile([np.abs(p).max() for _, a, b, _ in drawn for p in (a, b)],
                                    80)), 15.0)
    pitch_x, pitch_y = 2.3 * reach, 3.1 * reach
    data: list[Spec] = []
    notes: list[Spec] = []
    across = min(across, len(drawn))
    for place, (i, x, y, dt) in enumerate(drawn):
        cx, cy = (place % across) * pitch_x, -(place // across) * pitch_y
        style = {"color": "~c0", "width": 3.0} if i == best else (
            {"color": "~c1", "width": 2.6, "dash": "dash"} if i == median
            else {"color": "~soft", "width": 2.0})
        focus = [float(start[i] - t0), float(end[i] - t0), names[i]]
        for keep, dash in (((dt <= end[i] - cross[i]) & (dt >= start[i] - cross[i]), None),
                           (np.ones(dt.size, bool), "dot")):
            line = dict(style, width=1.0, color="~none", dash="dot") if dash else style
            data.insert(0 if dash else len(data), {
                "type": "scatter", "mode": "lines", "x": f32(np.where(keep, x, np.nan) + cx),
                "y": f32(np.where(keep, y, np.nan) + cy), "line": line, "name": names[i],
                "hoverinfo": "text", "text": names[i],
                "meta": {"role": "focus", "focus": focus}})
        cost = f"{loss[i]:.0f} m" if rated[i] and np.isfinite(loss[i]) else "not rated"
        flag = " best" if i == best else (" median" if i == median else "")
        number, at = (names[i].rpartition(" · ")[0].rpartition(" ")[2],
                      names[i].rpartition(" · ")[2])
        notes.append({"x": cx, "y": cy - 1.05 * reach, "yanchor": "top",
                      "text": f"{number} · {at}<br>{cost}{flag}",
                      "showarrow": False, "font": {"size": 11, "color": "~ink"}})
    rows = (len(drawn) - 1) // across + 1
    left, right = -0.5 * pitch_x, (across - 0.5) * pitch_x
    top, bottom = 1.25 * reach, -(rows - 1) * pitch_y - 1.85 * reach
    # The wind's arrow points down the page, in the first cell's corner.
    notes.append({"x": left + 0.22 * reach, "y": top - 0.62 * reach, "ax": 0, "ay": -24,
                  "text": "wind", "showarrow": True, "arrowhead": 2, "arrowcolor": "~accent",
                  "arrowwidth": 2, "font": {"size": 11, "color": "~accent"}})
    bar = next(b for b in (10.0, 20.0, 50.0, 100.0, 200.0, 500.0) if b > 0.45 * reach or b > 400)
    notes.append({"x": right - 0.1 * reach, "y": top - 0.1 * reach, "text": f"{bar:.0f} m",
                  "showarrow": False, "xanchor": "right", "yanchor": "bottom",
                  "font": {"size": 11, "color": "~ink"}})
    spec: Spec = {"data": data, "layout": layout(
        20 + 215 * rows, annotations=notes,
        xaxis=axis("", range=[left, right], visible=False, fixedrange=True,
                   constrain="domain", constraintoward="left"),
        yaxis=axis("", range=[bottom, top], visible=False, scaleanchor="x", fixedrange=True,
                   constrain="domain", constraintoward="top"))}
    spec["layout"]["margin"] = {"l": 4, "r": 4, "t": 10, "b": 4}
    spec["layout"]["shapes"] = [{"type": "line", "x0": right - 0.1 * reach - bar,
                                 "x1": right - 0.1 * reach, "y0": top - 0.1 * reach,
                                 "y1": top - 0.1 * reach, "line": {"color": "~ink", "width": 2}}]
    spec["layout"]["meta"]["aspect"] = (top - bottom) / (right - left)
    return spec


Track = tuple[int, Floats, Floats, Floats]
BEFORE_TURN_S, AFTER_TURN_S = 6.0, 14.0


def _from_traces(table: pd.DataFrame, traces: dict[int, pd.DataFrame], start_s: Floats,
                 end_s: Floats) -> list[Track]:
    out = []
    for i, label in enumerate(table.index):
        own = _columns(traces.get(int(label)))
        if "x_m" not in own:
            continue
        t, x, y = own["t_s"], own["x_m"], own["y_m"]
        keep = np.isfinite(x) & np.isfinite(y) & (t >= start_s[i] - BEFORE_TURN_S) \
            & (t <= end_s[i] + AFTER_TURN_S)
        if keep.sum() >= 5:
            thin = max(1, int(keep.sum()) // 120)
            out.append((i, x[keep][::thin], y[keep][::thin], t[keep][::thin]))
    return out


def _from_positions(samples: pd.DataFrame, time: Floats, cross: Floats, start: Floats,
                    end: Floats) -> list[Track]:
    lat, lon = positions(samples)
    chart = chart_of(lat, lon)
    if chart is None or "twd_deg" not in samples:
        return []
    twd = samples["twd_deg"].to_numpy(dtype=float)
    out = []
    for i in range(len(cross)):
        near = np.flatnonzero((time >= start[i] - BEFORE_TURN_S) & (time <= end[i] + AFTER_TURN_S))
        near = near[np.isfinite(lat[near]) & np.isfinite(lon[near])]
        wind = mean_angle(twd[near]) if near.size >= 5 else float("nan")
        if not np.isfinite(wind):
            continue
        x, y = chart.xy(lat[near], lon[near])
        k = int(np.argmin(np.abs(time[near] - cross[i])))
        x, y = x - x[k], y - y[k]
        thin = max(1, near.size // 120)
        out.append((i, (x * cosd(wind) - y * sind(wind))[::thin],
                    (x * sind(wind) + y * cosd(wind))[::thin], time[near][::thin] - cross[i]))
    return out


def loss_figure(table: pd.DataFrame, names: list[str]) -> Spec:
    """Loss of each rated maneuver with its interval, in order of the day."""
    loss, low, high = (numbers(table, c) for c in ("loss_m", "loss_m_low", "loss_m_high"))
    rated = flags(table, "rated")
    sides = texts(table, "to_side")
    data = []
    for side, symbol, colour in (("port", "triangle-left", "~port"),
                                 ("starboard", "triangle-right", "~starboard"),
                                 ("", "circle", "~soft")):
        mine = np.flatnonzero((sides == side) & np.isfinite(loss) & rated)
        if not mine.size:
            continue
        data.append({
            "type": "scatter", "mode": "markers", "x": [int(i) + 1 for i in mine],
            "y": f32(loss[mine]),
            "error_y": {"type": "data", "symmetric": False, "array": f32(high[mine] - loss[mine]),
                        "arrayminus": f32(loss[mine] - low[mine]), "color": colour,
                        "thickness": 1.3, "width": 3},
            "marker": {"symbol": symbol, "size": 11, "color": colour},
            "name": f"on to {side}" if side else "other",
            "text": [names[i] for i in mine],
            "hovertemplate": "%{text}<br>%{y:.0f} m<extra></extra>"})
    return {"data": data, "layout": layout(
        340, showlegend=True,
        xaxis=axis("number in the day's order", dtick=1 if len(table) < 25 else 5),
        yaxis=axis("loss (m)", zeroline=True, rangemode="tozero"))}


def parts_figure(names: list[str], parts: dict[str, Floats]) -> Spec:
    """Where the metres went: one stacked bar a maneuver, parts adding up to the loss."""
    data = []
    for k, (label, value) in enumerate(parts.items()):
        style = category(k)
        data.append({"type": "bar", "orientation": "h", "y": names, "x": f32(value), "name": label,
                     "marker": {"color": style["color"],
                                "pattern": {"shape": style["pattern"], "solidity": 0.15,
                                            "fgcolor": "~ink", "fillmode": "overlay"}},
                     "hovertemplate": f"{label}: %{{x:.1f}} m<extra></extra>"})
    return {"data": data, "layout": layout(
        110 + 24 * len(names), barmode="relative", showlegend=True,
        xaxis=axis("metres lost (negative: gained)", zeroline=True, zerolinecolor="~soft"),
        yaxis=axis("", autorange="reversed", type="category"))}
