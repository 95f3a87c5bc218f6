"""The boat's speed by wind angle and wind speed: the trade's half-round polar, and curves."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sailanalysis.figures.palette import category
from sailanalysis.figures.spec import Spec, axis, f32, layout
from sailanalysis.figures.tables import numbers, texts


def _winds(table: pd.DataFrame, most: int = 6) -> list[float]:
    """Wind speeds worth a curve: the best-sailed, at most ``most``, in order."""
    by = table.assign(m=numbers(table, "minutes")).groupby("tws_kn")["m"].sum()
    return sorted(by.sort_values(ascending=False).index[:most].tolist())


def polar_figure(polar: pd.DataFrame, sails: str = "all", targets: pd.DataFrame | None = None,
                 ) -> Spec:
    """Half-round polar: one curve a wind speed, interval shaded, only where it was sailed.

    Drawn on plain axes (wind from the top, speed outward) so that it prints and reads on any
    screen; rings every 2 knots.
    """
    mine = polar[texts(polar, "sails") == sails]
    data: list[Spec] = []
    most = float(np.nanmax(np.append(numbers(mine, "stw_kn_high"), numbers(mine, "stw_kn"))))
    rings = np.arange(2.0, np.ceil(most / 2) * 2 + 0.1, 2.0) if np.isfinite(most) else [2.0]
    shapes, notes = [], []
    arc = np.radians(np.arange(0, 181, 3.0))
    for ring in rings:
        data.append({"type": "scatter", "mode": "lines", "x": f32(ring * np.sin(arc)),
                     "y": f32(ring * np.cos(arc)), "line": {"color": "~grid", "width": 1},
                     "hoverinfo": "skip", "showlegend": False, "name": "ring"})
        notes.append({"x": 0, "y": -ring, "text": f"{ring:.0f}", "showarrow": False,
                      "xanchor": "right", "xshift": -4, "font": {"size": 11, "color": "~soft"}})
    outer = float(rings[-1])
    for angle in range(30, 181, 30):
        s, c = np.sin(np.radians(angle)), np.cos(np.radians(angle))
        shapes.append({"type": "line", "x0": 0, "y0": 0, "x1": outer * s, "y1": outer * c,
                       "line": {"color": "~grid", "width": 1}, "layer": "below"})
        notes.append({"x": 1.06 * outer * s, "y": 1.06 * outer * c, "text": f"{angle}°",
                      "showarrow": False, "font": {"size": 11, "color": "~soft"}})
    for k, wind in enumerate(_winds(mine)):
        rows = mine[mine["tws_kn"] == wind].sort_values("twa_deg")
        a = np.radians(numbers(rows, "twa_deg"))
        v, lo, hi = (numbers(rows, c) for c in ("stw_kn", "stw_kn_low", "stw_kn_high"))
        style = category(k)
        for piece in _unbroken(np.degrees(a)):
            if np.isfinite(lo[piece]).all() and np.isfinite(hi[piece]).all() and len(piece) > 1:
                x = np.concatenate([hi[piece] * np.sin(a[piece]),
                                    (lo[piece] * np.sin(a[piece]))[::-1]])
                y = np.concatenate([hi[piece] * np.cos(a[piece]),
                                    (lo[piece] * np.cos(a[piece]))[::-1]])
                data.append({"type": "scatter", "mode": "lines", "x": f32(x), "y": f32(y),
                             "fill": "toself", "fillcolor": style["color"], "opacity": 0.16,
                             "line": {"width": 0, "color": "rgba(0,0,0,0)"},
                             "hoverinfo": "skip", "showlegend": False,
                             "legendgroup": f"{wind:g}", "name": "interval"})
        px, py = _with_breaks(a, v)
        measured = texts(rows, "basis") == "measured"
        data.append({"type": "scatter", "mode": "lines", "x": f32(px), "y": f32(py),
                     "line": {"color": style["color"], "width": 2.4, "dash": style["dash"]},
                     "hoverinfo": "skip", "name": f"{wind:g} kn", "legendgroup": f"{wind:g}"})
        data.append({"type": "scatter", "mode": "markers", "x": f32(v * np.sin(a)),
                     "y": f32(v * np.cos(a)), "showlegend": False, "legendgroup": f"{wind:g}",
                     "marker": {"color": style["color"], "size": 6,
                                "symbol": ["circle" if m else "circle-open" for m in measured]},
                     "text": [f"{w:g} kn wind, {np.degrees(q):.0f}°: {s:.2f} kn" + (
                         f" ({b:.2f} to {t:.2f})" if np.isfinite(b) else "") + f", {n:.0f} min"
                              for w, q, s, b, t, n in zip(
                                  [wind] * len(a), a, v, lo, hi, numbers(rows, "minutes"),
                                  strict=True)],
                     "hovertemplate": "%{text}<extra></extra>", "name": f"{wind:g} kn"})
    if targets is not None and len(targets):
        goal = targets[texts(targets, "sails") == sails]
        goal = goal[goal["tws_kn"].isin(_winds(mine))]
        a, v = np.radians(numbers(goal, "twa_deg")), numbers(goal, "stw_kn")
        data.append({"type": "scatter", "mode": "markers", "x": f32(v * np.sin(a)),
                     "y": f32(v * np.cos(a)), "name": "best VMG",
                     "marker": {"symbol": "star-diamond-open", "size": 12, "color": "~ink"},
                     "text": [f"{d}, {w:g} kn: {np.degrees(q):.0f}°, {s:.2f} kn" for d, w, q, s in
                              zip(texts(goal, "direction"), numbers(goal, "tws_kn"), a, v,
                                  strict=True)],
                     "hovertemplate": "%{text}<extra></extra>"})
    spec: Spec = {"data": data, "layout": layout(
        580, showlegend=True, shapes=shapes, annotations=notes,
        xaxis=axis("", range=[-0.12 * outer, 1.14 * outer], showgrid=False, showticklabels=False,
                   ticks="", linecolor="rgba(0,0,0,0)", constrain="domain",
                   constraintoward="left"),
        yaxis=axis("", range=[-1.14 * outer, 1.14 * outer], showgrid=False, showticklabels=False,
                   ticks="", linecolor="rgba(0,0,0,0)", scaleanchor="x", constrain="domain"))}
    spec["layout"]["legend"]["title"] = {"text": "true wind"}
    spec["layout"]["margin"] = {"l": 8, "r": 8, "t": 46, "b": 8}
    return spec


def _unbroken(angle_deg: np.ndarray) -> list[np.ndarray]:
    """Positions of neighbouring grid angles: a hole in the polar breaks the curve."""
    if not angle_deg.size:
        return []
    return np.split(np.arange(angle_deg.size), np.flatnonzero(np.diff(angle_deg) > 5.5) + 1)


def _with_breaks(a: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    xs, ys = [], []
    for piece in _unbroken(np.degrees(a)):
        xs += [v[piece] * np.sin(a[piece]), [np.nan]]
        ys += [v[piece] * np.cos(a[piece]), [np.nan]]
    return (np.concatenate(xs), np.concatenate(ys)) if xs else (np.array([]), np.array([]))


def curves_figure(polar: pd.DataFrame, sails: str = "all") -> Spec:
    """Speed against wind angle, a family of curves, best-sailed speed dotted."""
    mine = polar[texts(polar, "sails") == sails]
    data: list[Spec] = []
    for k, wind in enumerate(_winds(mine)):
        rows = mine[mine["tws_kn"] == wind].sort_values("twa_deg")
        a, v, best = (numbers(rows, c) for c in ("twa_deg", "stw_kn", "stw_best_kn"))
        style = category(k)
        x, y, z = [], [], []
        for piece in _unbroken(a):
            x += [a[piece], [np.nan]]
            y += [v[piece], [np.nan]]
            z += [best[piece], [np.nan]]
        if not x:
            continue
        data.append({"type": "scatter", "mode": "lines", "x": f32(np.concatenate(x)),
                     "y": f32(np.concatenate(y)), "name": f"{wind:g} kn",
                     "legendgroup": f"{wind:g}",
                     "line": {"color": style["color"], "width": 2.4, "dash": style["dash"]},
                     "hovertemplate": "%{x:.0f}°: %{y:.2f} kn<extra></extra>"})
        data.append({"type": "scatter", "mode": "lines", "x": f32(np.concatenate(x)),
                     "y": f32(np.concatenate(z)), "name": "best", "legendgroup": f"{wind:g}",
                     "showlegend": False, "line": {"color": style["color"], "width": 1,
                                                   "dash": "dot"}, "hoverinfo": "skip"})
        if "reference_kn" in rows.columns and np.isfinite(numbers(rows, "reference_kn")).any():
            data.append({"type": "scatter", "mode": "lines", "x": f32(a),
                         "y": f32(numbers(rows, "reference_kn")), "name": "reference",
                         "legendgroup": f"{wind:g}", "showlegend": k == 0,
                         "line": {"color": style["color"], "width": 1, "dash": "dash"},
                         "hovertemplate": "reference, %{x:.0f}°: %{y:.2f} kn<extra></extra>"})
    return {"data": data, "layout": layout(
        580, showlegend=True, xaxis=axis("true wind angle (°)", range=[25, 182], dtick=15),
        yaxis=axis("boat speed (kn)", rangemode="tozero"))}


def coverage_figure(polar: pd.DataFrame, sails: str = "all") -> Spec:
    """Minutes of steady sailing behind each cell of the polar; empty where none."""
    mine = polar[texts(polar, "sails") == sails]
    mine = mine.assign(minutes=numbers(mine, "minutes"))
    grid = mine.pivot_table(index="tws_kn", columns="twa_deg", values="minutes", aggfunc="sum")
    grid = grid.reindex(index=np.arange(grid.index.min(), grid.index.max() + 1, 2.0),
                        columns=np.arange(30.0, 181.0, 5.0))
    z = grid.to_numpy(dtype=float)
    z = np.where(z > 0, z, np.nan)
    words = [[f"{v:.0f}" if np.isfinite(v) and v >= 0.5 else "" for v in row] for row in z]
    return {"data": [{
        "type": "heatmap", "x": grid.columns.to_numpy(dtype=float).tolist(),
        "y": grid.index.to_numpy(dtype=float).tolist(),
        "z": [[None if not np.isfinite(v) else float(min(v, 30)) for v in row] for row in z],
        "text": words, "texttemplate": "%{text}", "showscale": False, "xgap": 1, "ygap": 1,
        "zmin": 0, "zmax": 30, "colorscale": [[0, "~grid"], [1, "~sailing"]],
        "textfont": {"color": "~ink", "size": 10},
        "hovertemplate": "%{y} kn, %{x}°: %{text} min<extra></extra>"}],
        "layout": layout(110 + 30 * len(grid),
                         xaxis=axis("true wind angle (°)", dtick=15),
                         yaxis=axis("wind (kn)", dtick=2))}
