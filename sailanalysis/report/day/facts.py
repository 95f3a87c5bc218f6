"""One day's record made ready for telling: clocks, columns and rows, nothing measured anew."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sailanalysis.core.series import epoch_s
from sailanalysis.day import Day
from sailanalysis.figures.chart import Chart, chart_of, positions
from sailanalysis.figures.tables import flags, numbers, polar_lookup, seconds, texts
from sailanalysis.report.page.words import clock

Floats = NDArray[np.float64]


@dataclass
class Facts:
    """What every section of a day's report asks for.

    Attributes
    ----------
    day : Day
    private : bool
        Leave out positions, places and free text.
    turned_deg : float
        By how much a private day was turned; its bearings are then not shown.
    coastline : list of ndarray, shape (n, 2)
        Lines to draw behind the track, longitude first.
    """

    day: Day
    private: bool = False
    turned_deg: float = 0.0
    coastline: list[Floats] = field(default_factory=list)
    scrub: Callable[[str], str] = field(default=str)

    @cached_property
    def time(self) -> Floats:
        """Seconds since 1970 of every sample."""
        return epoch_s(self.day.samples.index)

    @cached_property
    def state(self) -> NDArray[np.object_]:
        """State of every sample, "" where the log does not tell."""
        return texts(self.day.samples, "state")

    @property
    def t0(self) -> float:
        """First instant; figures count from it."""
        return float(self.time[0])

    @cached_property
    def chart(self) -> Chart | None:
        """The flat chart of the track; None without positions."""
        lat, lon = positions(self.day.samples)
        return chart_of(lat, lon, self.private)

    @cached_property
    def share(self) -> Floats | None:
        """Boat speed over the polar's, sample by sample; None without a polar."""
        samples = self.day.samples
        if not {"stw_kn", "tws_kn", "twa_deg"} <= set(samples):
            return None
        tws, twa = samples["tws_kn"].to_numpy(float), samples["twa_deg"].to_numpy(float)
        polar = polar_lookup(self.day.polar, tws, twa)
        sailing = self.state != "motoring"
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where((polar > 0.5) & sailing, samples["stw_kn"].to_numpy(float) / polar,
                             np.nan)
        return share if np.isfinite(share).any() else None

    def has(self, *channels: str) -> bool:
        """Whether the samples hold at least one value of each channel."""
        return all(c in self.day.samples and self.day.samples[c].notna().any() for c in channels)

    @property
    def engine_unknown(self) -> bool:
        """Whether sail and engine could not be told apart."""
        return any(f.code == "engine-unknown" for f in self.day.findings)

    @cached_property
    def names(self) -> list[str]:
        """One short label a maneuver: ``tack 3 · 14:05``."""
        counts: dict[str, int] = {}
        out = []
        table = self.day.maneuvers
        start: Any = seconds(table["start"]) if len(table) else []
        for kind, begin in zip(texts(table, "kind"), start, strict=True):
            counts[kind] = counts.get(kind, 0) + 1
            out.append(f"{kind.replace('_', ' ')} {counts[kind]} · {clock(begin, False)}")
        return out

    def rows(self, table: pd.DataFrame, label: Callable[[int, Any], str] | None = None,
             ) -> list[dict[str, Any]]:
        """Rows for a Table: times in seconds since 1970 and a place on the track."""
        out = []
        frame = table.reset_index(drop=True)
        times = {c: seconds(frame[c]) for c in ("start", "end", "crossing", "time")
                 if c in frame}
        for i, row in enumerate(frame.to_dict("records")):
            item = {k: self.scrub(v) if isinstance(v, str) else v for k, v in row.items()}
            item |= {name: float(value[i]) for name, value in times.items()}
            if label is not None and "start" in times and "end" in times:
                a, b = times["start"][i], times["end"][i]
                if np.isfinite(a) and np.isfinite(b):
                    item["_focus"] = (a - self.t0, b - self.t0, label(i, item))
            out.append(item)
        return out


__all__ = ["Facts", "flags", "numbers", "seconds", "texts"]
