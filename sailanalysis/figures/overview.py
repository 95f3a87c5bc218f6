"""A small drawing of the day's track that needs no script: for the first screen and for paper."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sailanalysis.core.angles import cosd, sind
from sailanalysis.core.series import epoch_s, runs
from sailanalysis.figures.chart import Chart, Floats, mean_wind, positions, round_length_m
from sailanalysis.figures.tables import usual_step_s
from sailanalysis.figures.thin import keep_peaks

WIDTH, PAD = 600.0, 34.0
LOW, HIGH = 0.55, 0.95
"""Least and greatest height as a share of the width: a long narrow day stays readable."""
POINTS = 900


@dataclass(frozen=True)
class Spot:
    """A numbered place on the drawing, by its instant in seconds since 1970."""

    number: int
    time_s: float


@dataclass(frozen=True)
class _Scale:
    """Metres to drawing units, y downwards."""

    x0: float
    y0: float
    by: float
    left: float
    top: float

    def xy(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        return self.left + (x - self.x0) * self.by, self.top - (y - self.y0) * self.by


def overview_svg(samples: pd.DataFrame, chart: Chart, spots: Sequence[Spot], label: str,
                 coast: Sequence[Floats] = ()) -> str:
    """Track, wind, scale and numbered places as SVG; colours come from the page's style.

    Parameters
    ----------
    samples : DataFrame
    chart : Chart
    spots : sequence of Spot
    label : str
        Words for who cannot see it; plain text without markup.
    coast : sequence of ndarray, shape (n, 2)
        Lines as longitude, latitude.
    """
    time = epoch_s(samples.index)
    lat, lon = positions(samples)
    x, y = chart.xy(lat, lon)
    good = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    scale, height = _scale(x[good], y[good])
    state = samples["state"].to_numpy(dtype=object)[good]
    body = [_line(scale, *chart.xy(line[:, 1], line[:, 0]), "coast") for line in coast]
    for run in runs(time[good], max(2.5 * usual_step_s(time), 15.0)):
        body += _by_state(scale, x[good][run], y[good][run], state[run])
    body = [f'<g transform="scale(0.1)">{"".join(body)}</g>']
    body += [_spot(scale, x[good], y[good], time[good], spot) for spot in spots]
    body += [_scale_bar(scale, height), _arrows(chart, samples)]
    return (f'<svg class="overview" viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" '
            f'aria-label="{label}">{"".join(body)}</svg>')


def _scale(x: Floats, y: Floats) -> tuple[_Scale, float]:
    wide, high = max(float(np.ptp(x)), 50.0), max(float(np.ptp(y)), 50.0)
    inner = WIDTH - 2 * PAD
    height = float(np.clip(high / wide, LOW, HIGH)) * inner + 2 * PAD
    by = min(inner / wide, (height - 2 * PAD) / high)
    return _Scale(float(x.min() + x.max()) / 2, float(y.min() + y.max()) / 2, by, WIDTH / 2,
                  height / 2), height


def _by_state(scale: _Scale, x: Floats, y: Floats, state: Floats) -> list[str]:
    """A line for each stretch of sailing, a broken one for the rest."""
    sailing = state == "sailing"
    cuts = [0, *(np.flatnonzero(sailing[1:] != sailing[:-1]) + 1).tolist(), sailing.size]
    return [_line(scale, x[a:b + 1], y[a:b + 1], "sailed" if sailing[a] else "other")
            for a, b in itertools.pairwise(cuts)]


def _line(scale: _Scale, x: Floats, y: Floats, kind: str) -> str:
    if x.size > POINTS:
        kept = np.union1d(keep_peaks(x, POINTS // 2), keep_peaks(y, POINTS // 2))
        x, y = x[kept], y[kept]
    px, py = scale.xy(x, y)
    points = " ".join(f"{10 * a:.0f},{10 * b:.0f}" for a, b in zip(px, py, strict=True))
    return f'<polyline class="{kind}" points="{points}"/>'


def _spot(scale: _Scale, x: Floats, y: Floats, time: Floats, spot: Spot) -> str:
    i = int(np.clip(np.searchsorted(time, spot.time_s), 0, time.size - 1))
    px, py = scale.xy(x[i:i + 1], y[i:i + 1])
    return (f'<g class="spot" transform="translate({px[0]:.1f} {py[0]:.1f})"><circle r="13"/>'
            f'<text dy="5.5">{spot.number}</text></g>')


def _scale_bar(scale: _Scale, height: float) -> str:
    length, words = round_length_m((WIDTH - 2 * PAD) / scale.by)
    end, y = 10 + length * scale.by, height - 10
    return (f'<path class="bar-line" d="M10 {y - 5:.1f}V{y:.1f}H{end:.1f}V{y - 5:.1f}"/>'
            f'<text class="note" x="{end + 6:.1f}" y="{y:.1f}">{words}</text>')


def _arrows(chart: Chart, samples: pd.DataFrame) -> str:
    """North where it may be known, and the day's mean wind, in the upper corner."""
    out = []
    if chart.places:
        out.append('<g transform="translate(20 26)"><path class="north" d="M0 12V-12M-5 -5L0 -13L5 '
                   '-5"/><text class="note" x="10" y="5">N</text></g>')
    twd, tws = mean_wind(samples)
    if np.isfinite(twd):
        towards = twd + 180.0 + chart.turned_deg
        dx, dy = 20 * float(sind(towards)), -20 * float(cosd(towards))
        words = f"wind {tws:.0f} kn" if np.isfinite(tws) else "wind"
        out.append(f'<g transform="translate({WIDTH - 30:.0f} 30)"><path class="blows" '
                   f'd="M{-dx:.1f} {-dy:.1f}L{dx:.1f} {dy:.1f}M{dx - 0.4 * (dx - 0.6 * dy):.1f} '
                   f'{dy - 0.4 * (dy + 0.6 * dx):.1f}L{dx:.1f} {dy:.1f}L'
                   f'{dx - 0.4 * (dx + 0.6 * dy):.1f} {dy - 0.4 * (dy - 0.6 * dx):.1f}"/>'
                   f'<text class="note" x="-30" y="5" '
                   f'text-anchor="end">{words}</text></g>')
    return "".join(out)
