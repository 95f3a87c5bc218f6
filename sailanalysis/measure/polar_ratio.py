"""Each leg's share of the polar's speed, honest about having helped to make that polar."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sailanalysis.angles import Floats, cosd
from sailanalysis.measure.polar import fit_polar
from sailanalysis.measure.polar_model import PolarModel


def leg_polar_ratio(legs: pd.DataFrame, model: PolarModel) -> Floats:
    """Boat speed of each leg over the polar's typical speed at the leg's wind.

    Parameters
    ----------
    legs : DataFrame, shape (n, ...)
        With ``tws_kn, twa_deg, stw_kn`` and perhaps ``sails``. The leg's own sail set is used
        where the model has it at that wind, else the whole polar.
    model : PolarModel

    Returns
    -------
    ndarray, shape (n,)
        NaN where the polar says nothing.
    """
    if len(legs) == 0:
        return np.zeros(0)
    tws, twa = legs["tws_kn"].to_numpy(float), legs["twa_deg"].to_numpy(float)
    stw = legs["stw_kn"].to_numpy(float)
    target = model.speed_kn(tws, twa)
    if "sails" in legs.columns:
        names = legs["sails"].fillna("").to_numpy(object)
        for name in model.sail_sets:
            own = names == name
            if name != "all" and own.any():
                value = model.speed_kn(tws[own], twa[own], name)
                target[own] = np.where(np.isfinite(value), value, target[own])
    return np.divide(stw, target, out=np.full(stw.shape, np.nan), where=target > 0.1)


def against_polar(blocks: pd.DataFrame, model: PolarModel) -> pd.DataFrame:
    """Speed and VMG of each leg against a polar that may, or may not, hold the leg itself.

    Parameters
    ----------
    blocks : DataFrame
        Steady blocks.

    Returns
    -------
    DataFrame
        One row a leg: ``day, leg, side, sails, seconds, tws_kn, twa_deg, stw_kn, polar_ratio,
        vmg_ratio``. ``vmg_ratio`` is against the best VMG of the polar at that wind, upwind
        (below 60 deg) and downwind (above 120 deg) only.
    """
    from sailanalysis.measure.targets import targets_table

    columns = ["day", "leg", "side", "sails", "seconds", "tws_kn", "twa_deg", "stw_kn",
               "polar_ratio", "vmg_ratio"]
    if len(blocks) == 0:
        return pd.DataFrame(columns=columns)
    table = blocks.assign(off=blocks["twa_deg"].abs(), w=blocks["seconds"])
    rows = []
    targets = targets_table(model)
    whole = targets[targets["sails"] == "all"]
    for (day, leg), part in table.groupby(["day", "leg"], sort=True):
        w = part["w"].to_numpy(float)
        tws, off, stw = (float(np.average(part[c].to_numpy(float), weights=w))
                         for c in ("tws_kn", "off", "stw_kn"))
        sails = str(part["sails"].iloc[0])
        # blocks against the polar one by one: gusts within the leg cancel
        expected = model.speed_kn(part["tws_kn"], part["off"], sails)
        plain = model.speed_kn(part["tws_kn"], part["off"])
        expected = np.where(np.isfinite(expected), expected, plain)
        known = np.isfinite(expected)
        ratio = vmg_ratio = float("nan")
        if w[known].sum() > 0.5 * w.sum():
            own = float(np.sum(w[known] * part["stw_kn"].to_numpy(float)[known]))
            ratio = own / float(np.sum(w[known] * expected[known]))
        direction = "upwind" if off < 60 else "downwind" if off > 120 else ""
        best = whole[whole["direction"] == direction]
        if direction and len(best) and best["tws_kn"].min() <= tws <= best["tws_kn"].max():
            vmg = float(np.average(part["stw_kn"] * cosd(part["off"]), weights=w))
            vmg_ratio = vmg / float(np.interp(tws, best["tws_kn"], best["vmg_kn"]))
        rows.append((day, leg, part["side"].iloc[0], sails, w.sum(), tws, off, stw, ratio,
                     vmg_ratio))
    return pd.DataFrame(rows, columns=columns)


def against_other_days(blocks: pd.DataFrame) -> pd.DataFrame:
    """Each leg against the polar of all other days.

    A polar that holds the day itself flatters it: it has leaned towards what is now measured
    against it. With one day only, each leg is set against the day's other legs, in four groups
    of legs left out in turn.

    Returns
    -------
    DataFrame
        As :func:`against_polar`, with ``basis``: ``other days`` or ``other legs``.
    """
    days = sorted(blocks["day"].astype(str).unique()) if len(blocks) else []
    if len(days) > 1:
        groups = blocks["day"].astype(str).to_numpy()
        keys, basis = days, "other days"
    else:
        order = pd.factorize(blocks["leg"], sort=True)[0] if len(blocks) else np.zeros(0, int)
        groups = (order % 4).astype(str)
        keys, basis = sorted(set(groups)), "other legs"
    parts = []
    for key in keys:
        out = groups == key
        model = fit_polar(blocks[~out], sail_sets=False, replicates=2)
        parts.append(against_polar(blocks[out], model).assign(basis=basis))
    if not parts:
        return against_polar(blocks, fit_polar(blocks)).assign(basis="")
    return pd.concat(parts, ignore_index=True)
