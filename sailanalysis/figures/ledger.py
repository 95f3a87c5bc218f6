"""The day's ledger drawn: minutes by item, one under the other."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sailanalysis.figures.spec import Spec, axis, f32, layout
from sailanalysis.figures.tables import numbers


def ledger_figure(table: pd.DataFrame, names: list[str]) -> Spec:
    """Minutes lost by each item with their intervals.

    Parameters
    ----------
    table : DataFrame, n rows
        Items in the order drawn: ``minutes, minutes_low, minutes_high``.
    names : list of str
    """
    value, low, high = (numbers(table, c) for c in ("minutes", "minutes_low", "minutes_high"))
    rows = np.arange(len(table))
    above, below = np.maximum(high - value, 0.0), np.maximum(value - low, 0.0)
    data = [{
        "type": "bar", "orientation": "h", "x": f32(value), "y": rows.tolist(), "width": 0.6,
        "marker": {"color": "~c5"}, "name": "minutes lost",
        "text": [f"{names[i]}: {value[i]:.1f} min" for i in rows], "textposition": "none",
        "hovertemplate": "%{text}<extra></extra>",
        "error_x": {"type": "data", "symmetric": False, "array": f32(above),
                    "arrayminus": f32(below), "color": "~ink", "thickness": 1.4, "width": 4}}]
    return {"data": data, "layout": layout(
        100 + 34 * len(table),
        xaxis=axis("minutes behind the well-sailed boat", zeroline=True, zerolinecolor="~soft"),
        yaxis=axis("", tickvals=rows.tolist(), ticktext=names, showgrid=False,
                   range=[len(table) - 0.5, -0.5]))}
