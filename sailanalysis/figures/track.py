"""The day's track on plain axes, coloured by choice, with its maneuvers."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.calibrate.current import mean_current
from sailanalysis.core.angles import cosd, sind
from sailanalysis.core.series import epoch_s, running_mean, runs
from sailanalysis.core.ship_time import told_s
from sailanalysis.figures.chart import (
    Chart,
    Floats,
    mean_wind,
    positions,
    round_length_m,
)
from sailanalysis.figures.palette import DIVERGING, STEPS, category
from sailanalysis.figures.spec import Spec, axis, f32, layout
from sailanalysis.figures.tables import coded, seconds, usual_step_s
from sailanalysis.figures.thin import keep_peaks

POINTS = 3000
"""Points of the whole-day track: one every few pixels on a large screen."""

COLOURINGS = (("speed", "boat speed"), ("share", "share of polar"), ("state", "state"),
              ("helm", "helm"), ("sails", "sails"), ("leeway", "leeway"))
_KIND_MARK = {"tack": "triangle-up", "gybe": "triangle-down", "luff": "diamond-open",
              "bear_away": "square-open", "head_up": "square-open", "circle": "circle-open"}


Key = dict[str, str]
"""A class's label, colour and dash."""
_STATE_DASH = {"motoring": "dash", "stopped": "dot"}


def _by_name(samples: pd.DataFrame, by: str) -> tuple[NDArray[np.int16], list[Key]]:
    """Classes of a column of names, at most twelve."""
    out = np.full(len(samples), -1, dtype=np.int16)
    if by not in samples:
        return out, []
    code, names = coded(samples, by)
    place = {name: k for k, name in enumerate(names)}
    states = by == "state"
    shown = [n for n in ("sailing", "motoring", "stopped") if n in names] if states else names[:12]
    keys = []
    for k, name in enumerate(shown):
        out[code == place[name]] = k
        style = category(k)
        keys.append({"label": name, "color": f"~{name}" if states else style["color"],
                     "dash": _STATE_DASH.get(name, "solid") if states else style["dash"]})
    return out, keys


def _slow(samples: pd.DataFrame, name: str, seconds: float) -> Floats:
    """A channel's running mean; NaN throughout where there is none."""
    if name not in samples:
        return np.full(len(samples), np.nan)
    return running_mean(epoch_s(samples.index), samples[name].to_numpy(dtype=float), seconds)


def _speed_name(samples: pd.DataFrame) -> str:
    """The speed that is drawn: through the water, else over ground."""
    watered = "stw_kn" in samples and samples["stw_kn"].notna().any()
    return "stw_kn" if watered else "sog_kn"


def _scale(samples: pd.DataFrame, by: str, share: Floats | None
           ) -> tuple[Floats, Floats, str, tuple[str, ...]]:
    """Value of each sample for one colouring, the classes' edges, unit and colours."""
    if by == "speed":
        value = _slow(samples, _speed_name(samples), 10.0)
        return value, _round_edges(value, len(STEPS)), "kn", STEPS
    if by == "leeway":
        return (np.abs(_slow(samples, "leeway_deg", 30.0)), np.array([0, 2, 4, 6, 8, 90.0]), "°",
                STEPS[:5])
    value = np.full(len(samples), np.nan) if share is None else (
        100 * running_mean(epoch_s(samples.index), share, 30.0))
    return value, np.array([0, 80, 92, 100, 108, 1000.0]), "%", DIVERGING


def classes(samples: pd.DataFrame, by: str, share: Floats | None = None,
            ) -> tuple[NDArray[np.int16], list[Key]]:
    """Class of each sample for one colouring (-1 unknown) and each class's label and colour.

    Parameters
    ----------
    samples : DataFrame
    by : {"speed", "share", "state", "helm", "sails", "leeway"}
    share : ndarray, shape (n,), optional
        Boat speed over the polar's, for ``share``.
    """
    if by in ("state", "helm", "sails"):
        return _by_name(samples, by)
    value, edges, unit, colours = _scale(samples, by, share)
    known = np.isfinite(value)
    if not known.any() or len(edges) < 2:
        return np.full(len(samples), -1, dtype=np.int16), []
    out = np.clip(np.digitize(np.where(known, value, -1e9), edges) - 1, 0,
                  len(edges) - 2).astype(np.int16)
    out[~known] = -1
    keys = [{"label": _edge_label(edges, k, unit, by), "color": colours[k],
             "dash": "solid"} for k in range(len(edges) - 1)]
    return out, keys


def _round_edges(value: Floats, most: int) -> Floats:
    good = value[np.isfinite(value)]
    if not good.size:
        return np.array([])
    low, high = np.percentile(good, [2, 98])
    step = next((s for s in (0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0) if (high - low) / s <= most - 1),
                10.0)
    first = np.floor(low / step) * step
    return np.asarray(np.arange(first, first + step * (most + 0.5), step)[: most + 1]
                      [: int(np.ceil((high - first) / step)) + 1 or 2])


def _edge_label(edges: Floats, k: int, unit: str, by: str) -> str:
    glue = "" if unit in ("°", "%") else " "
    if k == len(edges) - 2 and by != "speed":
        return f"over {edges[k]:g}{glue}{unit}"
    if k == 0 and by == "share":
        return f"under {edges[1]:g}{glue}{unit}"
    return f"{edges[k]:g}–{edges[k + 1]:g}{glue}{unit}"


def _outline(x: Floats, y: Floats, time: Floats) -> NDArray[np.intp]:
    """Indices that keep the track's shape: turning points in both directions, ends of runs."""
    pieces = []
    total = max(time.size, 1)
    for run in runs(time):
        share = max(8, POINTS * (run.stop - run.start) // total)
        kept = np.union1d(keep_peaks(x[run], share // 2), keep_peaks(y[run], share // 2))
        even = np.linspace(0, run.stop - run.start - 1, min(share, run.stop - run.start))
        pieces.append(np.union1d(kept, even.astype(np.intp)) + run.start)
    return np.concatenate(pieces) if pieces else np.array([], dtype=np.intp)


def _pieces(x: Floats, y: Floats, joined: NDArray[np.bool_],
            label: NDArray[np.int16], k: int) -> tuple[Floats, Floats]:
    """Line segments whose first end is of class ``k``, separated by NaN."""
    first = np.flatnonzero((label[:-1] == k) & joined[1:])
    if not first.size:
        return np.array([]), np.array([])
    starts = np.concatenate([[True], np.diff(first) > 1])
    xs, ys = [], []
    for piece in np.split(first, np.flatnonzero(starts)[1:]):
        at = np.append(piece, piece[-1] + 1)
        xs += [x[at], [np.nan]]
        ys += [y[at], [np.nan]]
    return np.concatenate(xs), np.concatenate(ys)


def _coast_traces(coast: list[Floats] | None, chart: Chart) -> list[Spec]:
    traces: list[Spec] = []
    for line in coast or []:
        cx, cy = chart.xy(line[:, 1], line[:, 0])
        traces.append({"type": "scatter", "mode": "lines", "x": f32(cx), "y": f32(cy),
                       "line": {"color": "~land", "width": 1.5}, "hoverinfo": "skip",
                       "name": "coastline", "meta": {"role": "coast"}})
    return traces


def _colour_traces(by: str, keys: list[Key], class_of: NDArray[np.int16], x: Floats, y: Floats,
                   joined: NDArray[np.bool_], visible: bool) -> list[Spec]:
    """One line a class of a colouring, and one for what is unknown."""
    traces: list[Spec] = []
    for k in (-1, *range(len(keys))):
        px, py = _pieces(x, y, joined, class_of, k)
        if not px.size:
            continue
        key = {"label": "unknown", "color": "~none", "dash": "dot"} if k < 0 else keys[k]
        traces.append({
            "type": "scatter", "mode": "lines", "x": f32(px), "y": f32(py),
            "line": {"color": key["color"], "width": 2.5, "dash": key["dash"]},
            "name": key["label"], "hoverinfo": "skip", "connectgaps": False,
            "visible": visible, "meta": {"role": "colour", "by": by}})
    return traces


def _colourings(samples: pd.DataFrame, share: Floats | None
                ) -> dict[str, tuple[str, NDArray[np.int16], list[Key]]]:
    """Label, classes and their keys of every colouring that shows something."""
    over_ground = _speed_name(samples) == "sog_kn"
    out = {}
    for by, label in COLOURINGS:
        class_of, keys = classes(samples, by, share)
        if keys and (class_of >= 0).any():
            out[by] = ("speed over ground" if by == "speed" and over_ground else label,
                       class_of, keys)
    return out


def _in_one_run(time: Floats, good: NDArray[np.intp], kept: NDArray[np.intp]
                ) -> NDArray[np.bool_]:
    """Whether each kept point follows the one before without a silence."""
    in_run = np.zeros(time.size, dtype=int)
    for number, run in enumerate(runs(time[good], max(2.5 * usual_step_s(time), 15.0))):
        in_run[good[run]] = number
    return np.concatenate([[False], np.diff(in_run[kept]) == 0])


def track_figure(samples: pd.DataFrame, maneuvers: pd.DataFrame, chart: Chart,
                 share: Floats | None = None, coast: list[Floats] | None = None,
                 first: str = "speed") -> tuple[Spec, list[tuple[str, str]]]:
    """Track figure and the colourings it offers.

    Parameters
    ----------
    samples, maneuvers : DataFrame
    chart : Chart
    share : ndarray, shape (n,), optional
        Boat speed over the polar's.
    coast : list of ndarray, optional
        Lines as longitude, latitude.
    first : str
        The colouring shown at first.

    Returns
    -------
    spec, offered : dict, list of (key, label)
    """
    time = epoch_s(samples.index)
    t0 = float(time[0])
    lat, lon = positions(samples)
    x, y = chart.xy(lat, lon)
    good = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    kept = good[_outline(x[good], y[good], time[good])]
    xk, yk, tk = x[kept], y[kept], time[kept] - t0
    joined = _in_one_run(time, good, kept)
    colourings = _colourings(samples, share)
    chosen = first if first in colourings else next(iter(colourings), "")
    data = _coast_traces(coast, chart)
    for by, (_, class_of, keys) in colourings.items():
        data += _colour_traces(by, keys, class_of[kept], xk, yk, joined, by == chosen)
    if not colourings:
        data.append({"type": "scatter", "mode": "lines", "x": f32(xk), "y": f32(yk),
                     "line": {"color": "~accent", "width": 2.5}, "name": "track",
                     "hoverinfo": "skip", "meta": {"role": "plain"}})
    # The pointer finds the nearest instant on this one, which is never seen.
    data.append({"type": "scatter", "mode": "lines", "x": f32(xk), "y": f32(yk),
                 "line": {"color": "rgba(0,0,0,0)", "width": 14}, "hoverinfo": "none",
                 "customdata": f32(tk), "name": "instants", "meta": {"role": "pointer"}})
    data.append(_ends(xk, yk))
    data += _marks(maneuvers, chart, time, lat, lon, t0)

    height = 560
    spec: Spec = {"data": data, "layout": layout(height, t0, **_frame(xk, yk, chart, samples))}
    spec["layout"]["meta"].update({
        "chart": {"lat0": chart.lat0, "lon0": chart.lon0, "kx": chart.kx, "ky": chart.ky,
                  "places": chart.places} if chart.places else
                 {"places": False, "kx": 1.0, "ky": 1.0, "lat0": 0.0, "lon0": 0.0},
        "legends": {by: keys for by, (_, _, keys) in colourings.items()}, "chosen": chosen,
        "kind": "track"})
    return spec, [(by, label) for by, (label, _, _) in colourings.items()]


def _ends(x: Floats, y: Floats) -> Spec:
    at = [0, -1]
    return {"type": "scatter", "mode": "markers+text", "x": f32(x[at]), "y": f32(y[at]),
            "text": ["start", "end"], "textposition": "top right",
            "textfont": {"color": "~soft", "size": 12},
            "marker": {"symbol": ["circle-open", "square-open"], "size": 9, "color": "~ink",
                       "line": {"width": 2}},
            "hoverinfo": "skip", "name": "start and end", "meta": {"role": "ends"}}


def _marks(maneuvers: pd.DataFrame, chart: Chart, time: Floats, lat: Floats, lon: Floats,
           t0: float) -> list[Spec]:
    out: list[Spec] = []
    if not len(maneuvers):
        return out
    start, end = seconds(maneuvers["start"]), seconds(maneuvers["end"])
    cross = seconds(maneuvers["crossing"]) if "crossing" in maneuvers else start
    cross = np.where(np.isfinite(cross), cross, start)
    at = np.clip(np.searchsorted(time, cross), 0, time.size - 1)
    x, y = chart.xy(lat[at], lon[at])
    kinds = maneuvers["kind"].astype(str).to_numpy()
    for kind in dict.fromkeys(kinds):
        mine = np.flatnonzero(kinds == kind)
        words = kind.replace("_", " ")
        out.append({
            "type": "scatter", "mode": "markers", "x": f32(x[mine]), "y": f32(y[mine]),
            "marker": {"symbol": _KIND_MARK.get(kind, "circle-open"), "size": 11,
                       "color": "~ink", "line": {"color": "~paper", "width": 1.2}},
            "customdata": [[float(start[i] - t0), float(end[i] - t0), f"{words} {_clock(cross[i])}"]
                           for i in mine],
            "text": [f"{words} {_clock(cross[i])}" for i in mine],
            "hovertemplate": "%{text}<extra></extra>", "name": words,
            "meta": {"role": "maneuver"}})
    return out


def _clock(time_s: float) -> str:
    return str(np.datetime64(int(told_s(float(time_s))), "s").astype(object).strftime("%H:%M:%S"))


def _frame(x: Floats, y: Floats, chart: Chart, samples: pd.DataFrame) -> Spec:
    """Axes of equal scale, graticule, scale bar, north, wind and current."""
    low_x, high_x = float(x.min()), float(x.max())
    low_y, high_y = float(y.min()), float(y.max())
    span = max(high_x - low_x, high_y - low_y, 50.0)
    pad = 0.08 * span
    bar, label = round_length_m(max(high_x - low_x, 0.6 * span))
    xs, ys = graticule(chart, low_x - pad, high_x + pad, low_y - pad, high_y + pad)
    x0, y0 = low_x, low_y - 0.6 * pad
    shapes = [{"type": "line", "x0": x0, "x1": x0 + bar, "y0": y0, "y1": y0,
               "line": {"color": "~ink", "width": 3}, "name": "scale"}]
    notes: list[Spec] = [{"x": x0 + bar / 2, "y": y0, "text": label, "showarrow": False,
                          "yshift": 11, "font": {"size": 12, "color": "~ink"}, "name": "scale"}]
    notes += _arrows(chart, samples, x, y)
    return {
        "xaxis": axis("", range=[low_x - pad, high_x + pad], constrain="range", **xs),
        "yaxis": axis("", range=[low_y - pad, high_y + pad], scaleanchor="x", scaleratio=1,
                      constrain="range", **ys),
        "shapes": shapes, "annotations": notes, "margin": {"l": 64, "r": 12, "t": 32, "b": 40},
    }


def graticule(chart: Chart, x0: float, x1: float, y0: float, y1: float) -> tuple[Spec, Spec]:
    """Tick positions and labels of both axes: whole minutes, or metres from the start."""
    if not chart.places:
        step = next((s for s in (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000)
                     if max(x1 - x0, y1 - y0) / s <= 7), 100000)

        def ticks(low: float, high: float) -> Spec:
            at = np.arange(np.ceil(low / step) * step, high, step)
            return {"tickvals": [float(v) for v in at],
                    "ticktext": [f"{v / 1000:g} km" if step >= 1000 else f"{v:.0f} m" for v in at]}

        return ticks(x0, x1), ticks(y0, y1)

    def minutes(low: float, high: float, origin: float, scale: float, letters: str,
                width: int) -> Spec:
        first, last = origin + low / scale, origin + high / scale
        span = (last - first) * 60
        step = next((s for s in (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600)
                     if span / s <= 6), 1200)
        digits = 2 if step < 0.1 else (1 if step < 1 else 0)
        at = np.arange(np.ceil(first * 60 / step), np.floor(last * 60 / step) + 1) * step
        text = []
        for value in at:
            wrapped = float(wrap_minutes(value)) if letters == "EW" else float(value)
            whole, rest = divmod(round(abs(wrapped), 4), 60)
            text.append(f"{int(whole):0{width}d}°{rest:0{3 + digits if digits else 2}.{digits}f}′"
                        f"{_letter(wrapped, letters)}")
        return {"tickvals": [float((v / 60 - origin) * scale) for v in at], "ticktext": text}

    return (minutes(x0, x1, chart.lon0, chart.kx, "EW", 3),
            minutes(y0, y1, chart.lat0, chart.ky, "NS", 2))


def wrap_minutes(value: float) -> float:
    """Minutes of longitude brought into (-10800, 10800]."""
    return -((-value + 10800) % 21600 - 10800)


def _letter(value: float, letters: str) -> str:
    if value == 0:
        return ""
    return letters[0] if value > 0 else letters[1]


def _free_corner(x: Floats, y: Floats) -> tuple[bool, float]:
    """Side and top of the corner with least track in it; the scale bar has the lower left."""
    u = (x - x.min()) / max(float(np.ptp(x)), 1.0)
    v = (y - y.min()) / max(float(np.ptp(y)), 1.0)
    best = min(((float(np.mean(side & part)), k, right, top) for k, (right, side, part, top) in
                enumerate(((True, u > 0.72, v > 0.45, 0.93), (False, u < 0.28, v > 0.45, 0.93),
                           (True, u > 0.72, v < 0.55, 0.52)))))
    return best[2], best[3]


def _arrows(chart: Chart, samples: pd.DataFrame, x: Floats, y: Floats) -> list[Spec]:
    notes: list[Spec] = []
    right, top = _free_corner(x, y)
    edge, inward, anchor = (1.0, -1, "right") if right else (0.0, 1, "left")

    def arrow(towards_deg: float, text: str, colour: str, length: float = 32) -> None:
        # The head stands at the anchor, the tail lies up-stream in pixels, y downwards.
        dx, dy = float(sind(towards_deg)) * length, -float(cosd(towards_deg)) * length
        at = top - 0.08 * len(notes)
        notes.append({"xref": "paper", "yref": "paper", "x": edge, "y": at, "text": "",
                      "showarrow": True, "ax": -dx, "ay": -dy, "xshift": dx / 2 + 32 * inward,
                      "yshift": -dy / 2, "arrowhead": 2, "arrowwidth": 2.5, "arrowsize": 1.1,
                      "arrowcolor": colour, "name": "arrow"})
        notes.append({"xref": "paper", "yref": "paper", "x": edge, "y": at, "text": text,
                      "showarrow": False, "yshift": -27, "xshift": 6 * inward, "xanchor": anchor,
                      "align": anchor, "font": {"size": 12, "color": colour}, "name": "arrow"})

    if chart.places:
        arrow(0.0, "north", "~ink", 26)
    twd, tws = mean_wind(samples)
    if np.isfinite(twd):
        strength = f" {tws:.0f} kn" if np.isfinite(tws) else ""
        named = f"{round(twd) % 360:03d}°" if chart.places else ""
        arrow(twd + 180 + chart.turned_deg, f"wind {named}{strength}", "~accent")
    current = mean_current(samples)
    if np.isfinite(current.set_deg) and current.drift_kn >= 0.05:
        arrow(current.set_deg + chart.turned_deg, f"current {current.drift_kn:.1f} kn", "~soft")
    return notes


def detail(samples: pd.DataFrame, chart: Chart | None, most: int = 14400) -> dict[str, Any]:
    """Finer positions, heading and wind for zooming and replay, as typed arrays."""
    time = epoch_s(samples.index)
    t0 = float(time[0])
    step = max(1, int(np.ceil(time.size / most)))
    kept = np.arange(0, time.size, step)
    out: dict[str, Any] = {"t0": t0, "t": f32(time[kept] - t0)}
    if chart is not None:
        lat, lon = positions(samples)
        x, y = chart.xy(lat[kept], lon[kept])
        out["x"], out["y"] = f32(x), f32(y)
    for name in ("hdg_deg", "twd_deg", "set_deg", "cog_deg"):
        if name in samples and samples[name].notna().any():
            turn = chart.turned_deg if chart is not None else 0.0
            value = (samples[name].to_numpy(dtype=float)[kept] + turn) % 360
            out[name] = np.where(np.isfinite(value), np.round(value), -1).astype(np.int16)
    return out
