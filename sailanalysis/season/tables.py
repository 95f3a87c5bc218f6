"""The season's tables as published, and the polar for the helm station and other programs."""

from __future__ import annotations

import json
from typing import Any, Final

import numpy as np
import pandas as pd

from sailanalysis.season.season import Season

CARD_TARGETS: Final = ("twa_deg", "stw_kn", "vmg_kn", "awa_deg", "near_best_from_deg",
                       "near_best_to_deg")
CARD_REACHES_DEG: Final = (60.0, 75.0, 90.0, 110.0, 120.0, 135.0, 150.0)

POLAR_WORDS: Final = {
    "sails": "sail set; 'all' is whatever was set",
    "tws_kn": "true wind speed over the water, at the sensor's height, knots",
    "twa_deg": "true wind angle off the bow, degrees, port and starboard pooled",
    "stw_kn": "typical boat speed through the water (median of steady sailing), knots",
    "stw_kn_low": "lower end of its 95 % interval, knots",
    "stw_kn_high": "upper end of its 95 % interval, knots",
    "stw_best_kn": "well-sailed boat speed (90th percentile of half-minute averages), knots",
    "minutes": "steady sailing within 1 kn and 2.5 degrees, minutes",
    "basis": "measured (a minute or more there) or interpolated (in a narrow gap)",
}
"""What each column of the polar means."""


def season_tables(season: Season) -> dict[str, pd.DataFrame]:
    """Tables of a season by the name of their file, each with the ``boat``.

    Parameters
    ----------
    season : Season
    """
    tables = {
        "days": season.days, "polar": season.polar, "targets": season.targets,
        "crossovers": season.crossovers, "experiments": season.experiments,
        "helm_progress": season.helm_progress,
        "helm_trend": season.helm_trend, "maneuver_progress": season.maneuver_progress,
        "calibration": season.sensors.rename(columns={"key": "sensor"}),
        "advice": season.advice,
    }
    return {name: table.assign(boat=season.boat_name) for name, table in tables.items()}


def helm_card(season: Season) -> pd.DataFrame:
    """Numbers for one page at the helm station, each under the sail set that does best there.

    Parameters
    ----------
    season : Season

    Returns
    -------
    DataFrame
        One row a wind speed: ``tws_kn``, for ``up`` and ``down`` the target of the set with the
        best VMG (``CARD_TARGETS`` and ``sails``), and ``reach_ANGLE_kn``, the fastest set's usual
        speed at usual reaching angles; NaN where not known. Where no single set gives a number,
        what was done under whatever was set, and no sails are named.
    """
    targets = season.targets.reindex(columns=["tws_kn", "direction", "sails", *CARD_TARGETS])
    sets = sorted(set(season.polar["sails"]) - {"all"})
    angles = np.array(CARD_REACHES_DEG)
    rows = []
    for tws in sorted(set(targets["tws_kn"]) | set(season.polar["tws_kn"])):
        row: dict[str, Any] = {"tws_kn": float(tws)}
        for word, direction in (("up", "upwind"), ("down", "downwind")):
            here = targets[(targets["tws_kn"] == tws) & (targets["direction"] == direction)]
            pooled = here["sails"] == "all"
            here = here if pooled.all() else here[~pooled]
            best = here.loc[here["vmg_kn"].abs().idxmax()] if len(here) else None
            row |= {f"{word}_{name}": np.nan if best is None else float(best[name])
                    for name in CARD_TARGETS}
            row[f"{word}_sails"] = "" if best is None or best["sails"] == "all" else best["sails"]
        pooled_kn = season.model.speed_kn(tws, angles, "all")
        speeds = [season.model.speed_kn(tws, angles, name) for name in sets] or [pooled_kn]
        fastest = np.fmax.reduce(speeds)
        fastest = np.where(np.isfinite(fastest), fastest, pooled_kn)
        row |= {f"reach_{a:.0f}_kn": float(v) for a, v in zip(angles, fastest, strict=True)}
        rows.append(row)
    return pd.DataFrame(rows)


def polar_json(polar: pd.DataFrame, boat_name: str = "") -> str:
    """The polar as JSON in plain documented columns.

    Parameters
    ----------
    polar : DataFrame
        As ``polar.csv``.
    boat_name : str

    Returns
    -------
    str
        An object with ``boat``, ``columns`` (name to meaning) and ``rows`` (a list a point);
        numbers to three decimals, null where unknown.
    """
    rows: list[list[Any]] = []
    for row in polar[list(POLAR_WORDS)].itertuples(index=False):
        rows.append([v if isinstance(v, str) else round(float(v), 3) if np.isfinite(v) else None
                     for v in row])
    return json.dumps({"boat": boat_name, "columns": POLAR_WORDS, "rows": rows}, indent=1)
