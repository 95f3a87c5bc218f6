"""Strip charts of the day: channels against the clock, with states, helms and sails as bands."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.channels import CHANNELS
from sailanalysis.core.model import CrewLog
from sailanalysis.core.series import epoch_s, runs, true_stretches
from sailanalysis.figures.palette import category
from sailanalysis.figures.spec import Spec, axis, clock_ticks, f32, layout, time_axis
from sailanalysis.figures.tables import coded, seconds, usual_step_s
from sailanalysis.figures.thin import thinned

OFFERED = ("stw_kn", "tws_kn", "twa_deg", "twd_deg", "rudder_deg", "heel_deg", "hdg_deg",
           "vmg_kn", "sog_kn", "cog_deg", "awa_deg", "aws_kn", "leeway_deg",
           "drift_kn", "trim_deg", "rate_of_turn_deg_s", "depth_m", "engine_rpm", "load_kg")
FIRST = ("stw_kn", "tws_kn", "twa_deg", "rudder_deg")
WHOLE_POINTS = 1600
"""Points of one trace over the whole day: two for each pixel column of a tablet."""

STRIP_PX, BAND_PX = 92, 24


def available(samples: pd.DataFrame) -> list[tuple[str, str, bool]]:
    """Channels that hold anything: name, label, whether shown at first."""
    have = [c for c in OFFERED if c in samples and samples[c].notna().any()]
    usual = [c for c in FIRST if c in have]
    # A bare track still opens with what it has.
    first = [*usual, *(c for c in have if c not in usual)][:max(4, len(usual))]
    return [(c, CHANNELS[c].label, c in first) for c in have]


def strips_figure(samples: pd.DataFrame, crew: CrewLog, maneuvers: pd.DataFrame | None = None,
                  shown: list[str] | None = None, notes: bool = True) -> Spec:
    """Strip charts on one clock.

    Parameters
    ----------
    samples : DataFrame
    crew : CrewLog
        Its trim, note and sail lines become numbered marks.
    maneuvers : DataFrame, optional
        Marked as ticks in a band.
    shown : list of str, optional
        Channels; default those of :func:`available`. All others are offered, hidden and empty.
    notes : bool
        False leaves free text out (for a report that is shared).
    """
    time = epoch_s(samples.index)
    t0, end = float(time[0]), float(time[-1])
    offered = available(samples)
    if shown is None:
        shown = [name for name, _, on in offered if on]
    data, bands = _bands(samples, time, t0)
    marks = _crew_marks(crew, t0, notes)
    if marks:
        data.append(marks)
        bands.append("crew log")
    if maneuvers is not None and len(maneuvers):
        data.append(_maneuver_marks(maneuvers, t0))
        bands.append("maneuvers")
    height = 84 + STRIP_PX * max(len(shown), 1) + BAND_PX * len(bands)
    spec: Spec = {"data": data, "layout": layout(height, t0, ("xaxis",))}
    frame = spec["layout"]
    frame["barmode"] = "overlay"
    frame["margin"] = {"l": 66, "r": 14, "t": 32, "b": 40}
    frame["xaxis"] = time_axis(range=[0.0, max(end - t0, 1.0)], anchor="free",
                               position=0.0, **clock_ticks(t0 - t0, end - t0, t0))
    frame["yaxis"] = axis("", type="category", categoryorder="array",
                          categoryarray=bands[::-1], fixedrange=True, showgrid=False, ticklen=0)
    limit = max(5.0, 2.5 * usual_step_s(time))
    for number, (name, label, _) in enumerate(offered, start=2):
        channel = CHANNELS[name]
        value = samples[name].to_numpy(dtype=float)
        # A hidden strip travels empty: the page fills it from the finer samples when it is chosen.
        x, y = thinned(time - t0, value, WHOLE_POINTS, limit) if name in shown else ([], [])
        x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        if channel.kind in ("bearing", "angle"):
            y = _cut_wraps(y)
        data.append({
            "type": "scatter", "mode": "lines", "x": f32(x), "y": f32(y), "xaxis": "x",
            "yaxis": f"y{number}", "line": {"color": "~accent", "width": 1.1, "shape": "linear"},
            "hoverinfo": "skip", "name": label, "connectgaps": False,
            "visible": name in shown, "meta": {"role": "strip", "channel": name}})
        frame[f"yaxis{number}"] = axis("", anchor="x", fixedrange=True, nticks=4,
                                       **_range(value, channel.kind))
    frame["meta"].update({"kind": "strips", "bands": len(bands), "strip_px": STRIP_PX,
                          "band_px": BAND_PX,
                          "units": {n: _unit(n) for n, _, _ in offered},
                          "labels": {n: label for n, label, _ in offered}})
    arrange(spec, shown)
    return spec


def arrange(spec: Spec, shown: list[str]) -> None:
    """Give each shown strip its share of the height and put the bands on top."""
    frame = spec["layout"]
    bands = frame["meta"]["bands"]
    px = STRIP_PX * max(len(shown), 1) + BAND_PX * bands
    top, notes = 1.0, []
    frame["yaxis"]["domain"] = [1.0 - BAND_PX * bands / px, 1.0] if bands else [0.999, 1.0]
    frame["yaxis"]["visible"] = bool(bands)
    top -= BAND_PX * bands / px
    for trace in spec["data"]:
        if trace["meta"]["role"] != "strip":
            continue
        name, key = trace["meta"]["channel"], "yaxis" + trace["yaxis"][1:]
        if name in shown:
            low = top - STRIP_PX / px
            frame[key]["domain"] = [max(low + 0.10 * STRIP_PX / px, 0.0),
                                    top - 0.16 * STRIP_PX / px]
            frame[key]["visible"] = True
            notes.append({"xref": "paper", "yref": "paper", "x": 0, "y": top, "xanchor": "left",
                          "yanchor": "top", "showarrow": False,
                          "text": f"{CHANNELS[name].label} ({_unit(name)})",
                          "font": {"size": 12, "color": "~soft"}})
            top = low
        else:
            frame[key]["domain"] = [0.0, 0.001]
            frame[key]["visible"] = False
    frame["annotations"] = notes


def _unit(name: str) -> str:
    return CHANNELS[name].unit.replace("deg", "°")


def _range(value: NDArray[np.float64], kind: str) -> Spec:
    if kind == "bearing":
        return {"range": [0, 360], "tickvals": [0, 90, 180, 270, 360]}
    good = value[np.isfinite(value)]
    if not good.size:
        return {}
    low, high = np.percentile(good, [0.05, 99.95])
    if kind == "angle":
        most = max(abs(float(low)), abs(float(high)), 5.0)
        return {"range": [-1.08 * most, 1.08 * most]}
    pad = 0.06 * max(high - low, 0.5)
    return {"range": [float(min(low, 0 if low > -0.5 and low < 0.4 * high else low)) - pad,
                      float(high) + pad]}


def _cut_wraps(y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Break the pen where an angle jumps round the circle."""
    out = y.copy()
    with np.errstate(invalid="ignore"):
        jump = np.abs(np.diff(y)) > 180
    out[1:][jump] = np.nan
    return out


def _bands(samples: pd.DataFrame, time: NDArray[np.float64],
           t0: float) -> tuple[list[Spec], list[str]]:
    data, names = [], []
    unbroken = runs(time, max(60.0, 2.5 * usual_step_s(time)))
    for column in ("state", "helm", "sails", "boards"):
        if column not in samples:
            continue
        code, words = coded(samples, column)
        if not words:
            continue
        names.append(column)
        for k, name in enumerate(words[:12]):
            starts, lengths = [], []
            for run in unbroken:
                for part in true_stretches(code[run] == k):
                    begin, last = time[run][part.start], time[run][part.stop - 1]
                    starts.append(begin - t0)
                    lengths.append(last - begin)
            style = category(k)
            colour = f"~{name}" if column == "state" else style["color"]
            pattern = {"motoring": "/", "stopped": "."}.get(name, "") \
                if column == "state" else style["pattern"]
            data.append({
                "type": "bar", "orientation": "h", "y": [column] * len(starts),
                "base": f32(starts), "x": f32(lengths), "width": 0.72,
                "marker": {"color": colour, "opacity": 0.55, "line": {"width": 0},
                           "pattern": {"shape": pattern, "solidity": 0.15, "fgcolor": "~ink",
                                       "fillmode": "overlay"}},
                "text": [name if n > 300 else "" for n in lengths],
                "textposition": "inside", "insidetextanchor": "start",
                "textfont": {"color": "~ink", "size": 11}, "cliponaxis": True,
                "hovertext": [name] * len(starts),
                "hovertemplate": f"{column}: %{{hovertext}}<extra></extra>", "name": name,
                "meta": {"role": "band"}})
    return data, names


def _crew_marks(crew: CrewLog, t0: float, notes: bool) -> Spec | None:
    shown = ("trim", "sails", "fill", "sea", "load", "engine") + ("note",) * notes
    items = [e for e in crew.entries if e.item in shown]
    if not items:
        return None
    return {"type": "scatter", "mode": "markers",
            "x": f32([e.time_s - t0 for e in items]), "y": ["crew log"] * len(items),
            "marker": {"symbol": ["diamond" if e.item == "trim" else "circle" for e in items],
                       "size": 8, "color": "~ink"},
            "text": [f"{e.item}: {e.value}" for e in items],
            "hovertemplate": "%{text}<extra></extra>", "name": "crew log",
            "meta": {"role": "mark"}}


def _maneuver_marks(maneuvers: pd.DataFrame, t0: float) -> Spec:
    start, end = seconds(maneuvers["start"]), seconds(maneuvers["end"])
    words = [str(k).replace("_", " ") for k in maneuvers["kind"]]
    mark = {"tack": "triangle-up", "gybe": "triangle-down"}
    return {"type": "scatter", "mode": "markers", "x": f32((start + end) / 2 - t0),
            "y": ["maneuvers"] * len(start),
            "marker": {"symbol": [mark.get(w, "diamond-open") for w in words], "size": 9,
                       "color": "~ink"},
            "customdata": [[float(a - t0), float(b - t0), w]
                           for a, b, w in zip(start, end, words, strict=True)],
            "text": words, "hovertemplate": "%{text}<extra></extra>", "name": "maneuvers",
            "meta": {"role": "maneuver"}}


def strip_detail(samples: pd.DataFrame, most: int = 7200) -> dict[str, Any]:
    """Every offered channel as 16-bit steps: lowest and highest of up to ``most`` buckets.

    Returns
    -------
    dict
        ``t`` float32 seconds of each kept pair's two instants (shared grid), and per channel
        ``{"v": int16 array, "scale": float, "offset": float}`` with -32768 for missing.
    """
    time = epoch_s(samples.index)
    n = time.size
    width = max(1, int(np.ceil(n / most)))
    rows = int(np.ceil(n / width))
    out: dict[str, Any] = {"channels": {}}
    row = np.arange(rows)
    base = row * width
    at = np.minimum(base[:, None] + np.arange(width)[None, :], n - 1)
    if width == 1:
        grid = time - time[0]
    else:
        later = np.minimum(base + width // 2, n - 1)
        grid = np.stack([time[base], time[later]], axis=1).ravel() - time[0]
    out["t"] = f32(grid)
    out["per"] = 1 if width == 1 else 2
    for name, _, _ in available(samples):
        value = samples[name].to_numpy(dtype=float)
        if width == 1:
            pair = value
        else:
            block = value[at]
            good = np.isfinite(block)
            rows_low, rows_high = np.where(good, block, np.inf), np.where(good, block, -np.inf)
            first, last = np.argmin(rows_low, axis=1), np.argmax(rows_high, axis=1)
            low, high = rows_low[row, first], rows_high[row, last]
            if CHANNELS[name].kind == "bearing":
                # North lies inside: low and high would span the circle.
                low = high = np.where(np.isfinite(block[:, 0]), block[:, 0], np.inf)
            rising = first <= last
            pair = np.stack([np.where(rising, low, high), np.where(rising, high, low)],
                            axis=1).ravel()
        good = np.isfinite(pair)
        if not good.any():
            continue
        low_v, high_v = float(pair[good].min()), float(pair[good].max())
        scale = max((high_v - low_v) / 65000.0, 1e-9)
        steps = np.full(pair.shape, -32768, dtype=np.int16)
        steps[good] = np.round((pair[good] - low_v) / scale - 32500).astype(np.int16)
        out["channels"][name] = {"v": steps, "scale": scale, "offset": low_v + 32500 * scale}
    return out
