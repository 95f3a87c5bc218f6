"""Figures as plain dictionaries: drawn by the page's script or turned into a plotly Figure.

A spec is ``{"data": [...], "layout": {...}}`` in plotly's own vocabulary, with colours as roles
(see ``palette``) and time axes as float32 seconds after ``layout.meta.t0``. Building one needs
neither plotly nor its half second of imports; :func:`to_plotly` validates it for a notebook.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sailanalysis.core.ship_time import now_kept
from sailanalysis.figures.palette import DAY, painted

Spec = dict[str, Any]


def f32(value: ArrayLike) -> NDArray[np.float32]:
    """Typed array for a trace; infinities become missing."""
    x = np.asarray(value, dtype=float)
    return np.where(np.isfinite(x), x, np.nan).astype(np.float32)


def axis(title: str = "", **more: Any) -> Spec:
    """One quiet axis."""
    base: Spec = {
        "title": {"text": title, "standoff": 8},
        "gridcolor": "~grid", "zerolinecolor": "~faint", "linecolor": "~faint",
        "tickcolor": "~faint", "ticks": "outside", "ticklen": 4, "automargin": True,
        "zeroline": False,
    }
    base.update(more)
    return base


def time_axis(title: str = "", **more: Any) -> Spec:
    """Axis in seconds after the figure's start; the script labels it with the clock."""
    return axis(title or f"time ({now_kept().label})", **{"ticks": "outside", **more})


def layout(height: int, t0_s: float | None = None, time_axes: tuple[str, ...] = (),
           **more: Any) -> Spec:
    """Shared look: system type, no frame, room to breathe."""
    base: Spec = {
        "height": height,
        "font": {"family": "system-ui, 'Segoe UI', Roboto, 'Helvetica Neue', Arial, sans-serif",
                 "size": 13, "color": "~ink"},
        "paper_bgcolor": "rgba(0,0,0,0)", "plot_bgcolor": "rgba(0,0,0,0)",
        "margin": {"l": 56, "r": 16, "t": 24, "b": 48},
        "hovermode": "closest",
        "hoverlabel": {"bgcolor": "~paper", "bordercolor": "~faint",
                       "font": {"color": "~ink", "size": 13}},
        "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom", "xanchor": "left",
                   "font": {"color": "~ink"}},
        "showlegend": False,
        "dragmode": "pan",
        "meta": {"t0": t0_s, "time_axes": list(time_axes)},
    }
    base.update(more)
    return base


def has_values(spec: Spec) -> bool:
    """Whether any trace of a figure holds a value to draw."""
    return any(_any_value(trace) for trace in spec["data"])


def _any_value(trace: Spec) -> bool:
    # Every axis that holds numbers must hold at least one: categories alone are no drawing.
    tried = [_as_floats(trace.get(name)) for name in ("z", "r", "y", "x")]
    measured = [values for values in tried if values is not None]
    return bool(measured) and all(np.isfinite(v).any() for v in measured)


def _as_floats(value: Any) -> NDArray[np.float64] | None:
    try:
        return None if value is None else np.asarray(value, dtype=float)
    except (TypeError, ValueError):
        return None


def clock_ticks(low_s: float, high_s: float, t0_s: float, most: int = 8) -> Spec:
    """Tick positions and labels of a clock axis: round times of day, at most ``most``."""
    span = max(high_s - low_s, 1.0)
    steps = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200,
             86400)
    step = next((s for s in steps if span / s <= most), 86400 * int(np.ceil(span / 86400 / most)))
    first = np.ceil((low_s + t0_s) / step) * step
    at = np.arange(first, high_s + t0_s + 1e-6, step)
    form = "%H:%M:%S" if step < 60 else "%H:%M"
    labels = [np.datetime64(int(t), "s").astype(object).strftime(form) for t in at]
    return {"tickvals": [float(t - t0_s) for t in at], "ticktext": labels}


def with_clock(spec: Spec) -> Spec:
    """Label the time axes of a finished spec with the clock over the data's whole range."""
    meta = spec["layout"].get("meta", {})
    for name in meta.get("time_axes", []):
        ax = spec["layout"].setdefault(name, time_axis())
        if "range" in ax and meta.get("t0") is not None:
            ax.update(clock_ticks(float(ax["range"][0]), float(ax["range"][1]), meta["t0"]))
    return spec


def _as_dates(seconds: Any, origin: np.datetime64) -> Any:
    """Seconds from an origin as dates; NaT where they are not known."""
    s = np.asarray(seconds, dtype=float)
    ms = np.where(np.isfinite(s), s, 0.0) * 1000
    out = origin + np.round(ms).astype("timedelta64[ms]")
    return np.where(np.isfinite(s), out, np.datetime64("NaT", "ms"))


def _date_trace(trace: Spec, origin: np.datetime64) -> None:
    """Put one trace on dates, in place; a bar's length is in milliseconds."""
    if trace.get("type") == "bar":
        trace["base"] = _as_dates(trace["base"], origin)
        trace["x"] = np.asarray(trace["x"], dtype=float) * 1000
    else:
        trace["x"] = _as_dates(trace["x"], origin)


def _date_axis(axis: Spec, origin: np.datetime64) -> None:
    """Make a time axis one of dates, in place."""
    axis.pop("tickvals", None)
    axis.pop("ticktext", None)
    axis["type"] = "date"
    if "range" in axis:
        axis["range"] = [str(v) for v in _as_dates(axis["range"], origin)]


def _on_dates(plain: Spec, names: list[str], origin: np.datetime64) -> None:
    """Put all that stands on the named axes on dates, in place."""
    axes = {name.replace("axis", "") for name in names}
    frame = plain["layout"]
    for name in names:
        _date_axis(frame.setdefault(name, {}), origin)
    for trace in plain["data"]:
        if trace.get("xaxis", "x") in axes:
            _date_trace(trace, origin)
    for item in (*frame.get("shapes", []), *frame.get("annotations", [])):
        if item.get("xref", "x").split(" ")[0] in axes:
            ends = {"x0", "x1", "x"} & set(item)
            item.update({end: str(_as_dates([item[end]], origin)[0]) for end in ends})


def to_plotly(spec: Spec) -> Any:
    """Plotly Figure of a spec, in day colours, time axes as dates (for notebooks).

    Raises
    ------
    ValueError
        When plotly does not know a property: no figure passes unchecked.
    """
    import plotly.graph_objects as go

    plain = painted(spec)
    meta = plain["layout"].pop("meta", {}) or {}
    t0, names = meta.get("t0"), meta.get("time_axes", [])
    if t0 is not None and names:
        _on_dates(plain, names, np.datetime64(round(t0 * 1000), "ms"))
    return go.Figure(plain)


__all__ = ["DAY", "Spec", "axis", "clock_ticks", "f32", "layout", "time_axis", "to_plotly",
           "with_clock"]
