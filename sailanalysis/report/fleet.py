"""Many boats side by side: one page of what each boat's archive holds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from sailanalysis.report.day.facts import numbers
from sailanalysis.report.day.head import Head
from sailanalysis.report.page.sections import Column, Section, Table, Text
from sailanalysis.report.page.words import count, duration

if TYPE_CHECKING:
    from sailanalysis.season import Season

_COLUMNS = (
    Column("boat", "boat"), Column("days", "days", 0), Column("first_day", "first"),
    Column("last_day", "last"), Column("sailing_s", "sailed", show="duration"),
    Column("distance_over_ground_nm", "over ground", 0, "NM"),
    Column("tacks", "tacks", 0), Column("gybes", "gybes", 0),
    Column("steady_minutes", "steady", 0, "min"))


def fleet_table(seasons: Sequence[Season]) -> pd.DataFrame:
    """One row a boat: her days and the totals of what she sailed.

    Parameters
    ----------
    seasons : sequence of Season

    Returns
    -------
    DataFrame
        ``boat, days, first_day, last_day, sailing_s, distance_over_ground_nm, tacks, gybes,
        steady_minutes``.
    """
    totals = ("sailing_s", "distance_over_ground_nm", "tacks", "gybes", "steady_minutes")
    rows: list[dict[str, Any]] = [
        {"boat": season.boat_name or "unnamed", "days": len(season.days), "first_day": season.start,
         "last_day": season.end, **{name: float(np.nansum(numbers(season.days, name)))
                               for name in totals}} for season in seasons]
    return pd.DataFrame(rows, columns=["boat", "days", "first_day", "last_day", *totals])


def fleet_page(seasons: Sequence[Season], table: pd.DataFrame) -> str:
    """The page of a fleet.

    Parameters
    ----------
    seasons : sequence of Season
    table : DataFrame
        As `fleet_table` gives it.

    Returns
    -------
    str
        Complete HTML.
    """
    from sailanalysis.report.page.render import render

    rows = [{str(k): v for k, v in row.items()} for row in table.to_dict("records")]
    sections = [Section("boats", "The boats", _verdict(table),
                        (Table("boats", "What each boat's archive holds", _COLUMNS, rows),)),
                _targets(seasons)]
    facts = (("Boats", str(len(table)), ""), ("Days", str(int(table["days"].sum())), ""),
             ("Sailed", duration(float(table["sailing_s"].sum())), ""))
    span = f"{table['first_day'].min()} to {table['last_day'].max()}"
    head = Head("The fleet", span, facts, tuple((s.verdict, s.key) for s in sections))
    return render(sections, head, kind="Boats side by side", findings_title="What the boats hold")


def _verdict(table: pd.DataFrame) -> str:
    most = table.sort_values("sailing_s").iloc[-1]
    return (f"{count(len(table), 'boat')}; {most['boat']} has most on file, "
            f"{duration(float(most['sailing_s']))} under sail.")


def _targets(seasons: Sequence[Season]) -> Section:
    """Target speeds made good of each boat by wind speed; no boat is held against another."""
    rows = []
    for season in seasons:
        if len(season.targets):
            best = season.targets[season.targets["sails"] == "all"]
            rows += [{**{str(k): v for k, v in row.items()}, "boat": season.boat_name or "unnamed",
                      "vmg_kn": abs(float(row["vmg_kn"]))} for row in best.to_dict("records")]
    if not rows:
        return Section("targets", "Targets", "No boat has sailed steadily enough for targets.",
                       (Text(("Targets need a few minutes at one angle and wind.",), "unknown"),))
    columns = (Column("boat", "boat"), Column("tws_kn", "true wind", 0, "kn"),
               Column("direction", "direction"), Column("twa_deg", "true wind angle", 0, "°"),
               Column("stw_kn", "boat speed", 1, "kn"),
               Column("vmg_kn", "speed made good", 1, "kn"))
    known = len({row["boat"] for row in rows})
    return Section("targets", "Targets", f"{count(known, 'boat')} with targets of her own polar.",
                   (Table("targets", "Target angles and speeds of each boat", columns, rows),),
                   how=("Each boat's own polar, from her own steady sailing; boats of different "
                        "size, sails and instruments are not ranked by it.",))
