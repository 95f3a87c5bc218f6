"""Helming drawn: scores with their intervals, the calm and the busy minutes side by side."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sailanalysis.figures.palette import category
from sailanalysis.figures.spec import Spec, axis, f32, layout
from sailanalysis.figures.tables import numbers, seconds, texts

POINT_MARK = {"upwind": "triangle-up", "reach": "circle", "downwind": "triangle-down"}


def scores_figure(table: pd.DataFrame, t0: float) -> Spec:
    """Smoothness of every stretch, one row a helm, interval as a bar."""
    score, low, high = (numbers(table, c) for c in
                        ("smoothness", "smoothness_low", "smoothness_high"))
    helms = texts(table, "helm")
    points = texts(table, "point_of_sail")
    start, end = seconds(table["start"]), seconds(table["end"])
    order = list(dict.fromkeys(h or "unnamed" for h in helms))
    data: list[Spec] = []
    for k, helm in enumerate(order):
        mine = np.flatnonzero(np.array([(h or "unnamed") == helm for h in helms])
                              & np.isfinite(score))
        if not mine.size:
            continue
        style = category(k)
        spread = (np.arange(mine.size) - (mine.size - 1) / 2) * min(0.09, 0.6 / mine.size)
        data.append({
            "type": "scatter", "mode": "markers", "x": f32(score[mine]),
            "y": f32(k + spread), "name": helm,
            "error_x": {"type": "data", "symmetric": False, "array": f32(high[mine] - score[mine]),
                        "arrayminus": f32(score[mine] - low[mine]), "color": style["color"],
                        "thickness": 1.4, "width": 3},
            "marker": {"color": style["color"], "size": 10,
                       "symbol": [POINT_MARK.get(points[i], "diamond") for i in mine]},
            "text": [f"{helm}, {points[i]}: {score[i]:.0f}" for i in mine],
            "customdata": [[float(start[i] - t0), float(end[i] - t0), f"{helm} {points[i]}"]
                           for i in mine],
            "hovertemplate": "%{text}<extra></extra>", "meta": {"role": "maneuver"}})
    return {"data": data, "layout": layout(
        100 + 70 * len(order),
        shapes=[{"type": "line", "x0": 50, "x1": 50, "yref": "paper", "y0": 0, "y1": 1,
                 "line": {"color": "~soft", "width": 1, "dash": "dot"}}],
        xaxis=axis("smoothness for the conditions (50 is usual)", range=[0, 100], dtick=10),
        yaxis=axis("", tickvals=list(range(len(order))), ticktext=order,
                   range=[len(order) - 0.5, -0.5], showgrid=False))}


def side_by_side_figure(pieces: list[tuple[str, Any, Any, Any]]) -> Spec:
    """Rudder and heading of stretches side by side.

    Parameters
    ----------
    pieces : list of (title, seconds, rudder_deg, course_deg)
        ``course_deg`` is about its own mean; either may be None.
    """
    data: list[Spec] = []
    frame = layout(360)
    notes = []
    n = len(pieces)
    for k, (title, t, rudder, course) in enumerate(pieces):
        t = np.asarray(t, dtype=float)
        rate = max(1, t.size // 1500)  # 5 a second shows every movement of a hand
        t = t[::rate]
        rudder, course = (None if v is None else np.asarray(v, dtype=float)[::rate]
                          for v in (rudder, course))
        suffix = "" if k == 0 else str(2 * k + 1)
        lower = str(2 * k + 2)
        domain = [k / n + (0.03 if k else 0), (k + 1) / n - 0.02]
        for name, value, y, colour in (("rudder (°)", rudder, suffix, "~c0"),
                                       ("course about its mean (°)", course, lower, "~c1")):
            if value is not None:
                data.append({"type": "scatter", "mode": "lines", "x": f32(t), "y": f32(value),
                             "xaxis": f"x{suffix}", "yaxis": f"y{y}", "name": name,
                             "line": {"color": colour, "width": 1.2},
                             "hovertemplate": f"{name}: %{{y:.1f}}<extra></extra>"})
        match: Spec = {} if k == 0 else {"matches": "y"}
        match2: Spec = {} if k == 0 else {"matches": "y2"}
        frame[f"xaxis{suffix}"] = axis("seconds", domain=domain, anchor=f"y{lower}")
        frame[f"yaxis{suffix}"] = axis("rudder (°)" if k == 0 else "", domain=[0.55, 0.94],
                                       anchor=f"x{suffix}", **match)
        frame[f"yaxis{lower}"] = axis("course (°)" if k == 0 else "", domain=[0.0, 0.42],
                                      anchor=f"x{suffix}", **match2)
        notes.append({"xref": "paper", "yref": "paper", "x": domain[0], "y": 1.0, "text": title,
                      "showarrow": False, "xanchor": "left", "font": {"size": 12, "color": "~ink"}})
    frame["annotations"] = notes
    return {"data": data, "layout": frame}
