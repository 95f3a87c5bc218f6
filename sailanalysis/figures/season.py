"""The season drawn: crossovers, coverage, progress of helms and maneuvers, drift."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sailanalysis.figures.palette import category
from sailanalysis.figures.spec import Spec, axis, f32, layout
from sailanalysis.figures.tables import numbers, texts

_MARKS = ("circle", "square", "diamond", "triangle-up", "cross", "x", "star", "hexagon")


def _dates(column: pd.Series) -> list[str]:
    return [str(v)[:10] for v in column]


def crossovers_figure(table: pd.DataFrame) -> Spec:
    """Fastest sail set over wind angle and wind speed; surer cells are larger."""
    best = texts(table, "best_sails")
    sure = numbers(table, "confidence")
    gain = numbers(table, "gain_kn")
    data = []
    for k, name in enumerate(dict.fromkeys(best)):
        mine = np.flatnonzero(best == name)
        style = category(k)
        size = np.where(np.isfinite(sure[mine]), 6 + 20 * np.clip(sure[mine] - 0.5, 0, 0.5), 6)
        data.append({
            "type": "scatter", "mode": "markers", "x": f32(numbers(table, "twa_deg")[mine]),
            "y": f32(numbers(table, "tws_kn")[mine]), "name": name,
            "marker": {"color": style["color"], "symbol": _MARKS[k % len(_MARKS)],
                       "size": f32(size), "line": {"width": 0}},
            "text": [f"{name}: {gain[i]:+.2f} kn over {texts(table, 'next_best_sails')[i]}, "
                     f"{100 * sure[i]:.0f} % sure" if np.isfinite(gain[i]) else name for i in mine],
            "hovertemplate": "%{x:.0f}°, %{y:.0f} kn<br>%{text}<extra></extra>"})
    return {"data": data, "layout": layout(
        420, showlegend=True, xaxis=axis("true wind angle (°)", range=[27, 183], dtick=15),
        yaxis=axis("true wind speed (kn)", dtick=2))}


def progress_figure(table: pd.DataFrame, value: str, low: str, high: str, label: str,
                    by: str = "helm", usual: float | None = None) -> Spec:
    """A score over the days, one mark and dash a group, interval as a bar."""
    data = []
    groups = texts(table, by)
    for k, name in enumerate(dict.fromkeys(groups)):
        mine = table[groups == name].sort_values("day")
        v, a, b = (numbers(mine, c) for c in (value, low, high))
        style = category(k)
        trace: Spec = {
            "type": "scatter", "mode": "lines+markers", "x": _dates(mine["day"]), "y": f32(v),
            "name": name or "unnamed", "line": {"color": style["color"], "width": 1.6,
                                                "dash": style["dash"]},
            "marker": {"color": style["color"], "size": 8, "symbol": _MARKS[k % len(_MARKS)]},
            "hovertemplate": "%{x|%d %b}: %{y:.0f}<extra>" + (name or "unnamed").replace("<", "")
            .replace(">", "") + "</extra>"}
        if np.isfinite(a).any():
            trace["error_y"] = {"type": "data", "symmetric": False, "array": f32(b - v),
                                "arrayminus": f32(v - a), "color": style["color"],
                                "thickness": 1, "width": 2}
        data.append(trace)
    shapes = [] if usual is None else [{
        "type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": usual, "y1": usual,
        "line": {"color": "~soft", "width": 1, "dash": "dot"}}]
    return {"data": data, "layout": layout(
        360, showlegend=True, shapes=shapes, xaxis=axis("day", type="date", nticks=7),
        yaxis=axis(label))}


def drift_figure(table: pd.DataFrame, keys: dict[str, str]) -> Spec:
    """Sensor corrections by day, one strip a sensor, undetermined days left out."""
    data = []
    frame = layout(60 + 130 * len(keys))
    for k, (key, label) in enumerate(keys.items(), start=1):
        mine = table[(texts(table, "key") == key)
                     & table["determined"].astype(bool).to_numpy()].sort_values("date")
        v = numbers(mine, "total" if "total" in mine else "value")
        half = 0.5 * (numbers(mine, "high") - numbers(mine, "low"))
        suffix = "" if k == 1 else str(k)
        data.append({
            "type": "scatter", "mode": "markers", "x": _dates(mine["date"]), "y": f32(v),
            "yaxis": f"y{suffix}", "name": label,
            "error_y": {"type": "data", "array": f32(half), "color": "~accent", "thickness": 1.2,
                        "width": 3},
            "marker": {"color": "~accent", "size": 8, "symbol": _MARKS[(k - 1) % len(_MARKS)]},
            "hovertemplate": "%{x|%d %b}: %{y:.3f}<extra></extra>"})
        high = 1 - (k - 1) / len(keys)
        frame[f"yaxis{suffix}"] = axis(
            "", domain=[high - 0.80 / len(keys), high - 0.16 / len(keys)], anchor="x", nticks=4)
        frame.setdefault("annotations", []).append({
            "xref": "paper", "yref": "paper", "x": 0, "y": high, "yanchor": "top",
            "xanchor": "left", "showarrow": False, "text": label,
            "font": {"size": 12, "color": "~soft"}})
    frame["xaxis"] = axis("day", type="date", anchor="free", position=0.0, nticks=7)
    return {"data": data, "layout": frame}


def change_figure(table: pd.DataFrame) -> Spec:
    """Each day's speed against the season's polar, in per cent, with its interval."""
    v, a, b = (100 * (numbers(table, c) - 1) for c in ("factor", "low", "high"))
    return {"data": [{
        "type": "scatter", "mode": "markers", "x": _dates(table["date"]), "y": f32(v),
        "error_y": {"type": "data", "symmetric": False, "array": f32(b - v),
                    "arrayminus": f32(v - a), "color": "~accent", "thickness": 1.2, "width": 3},
        "marker": {"color": "~accent", "size": 9}, "name": "day",
        "hovertemplate": "%{x|%d %b}: %{y:+.1f} %<extra></extra>"}],
        "layout": layout(320, xaxis=axis("day", type="date", nticks=7),
                         yaxis=axis("speed against the polar (%)", zeroline=True,
                                    zerolinecolor="~soft"))}
