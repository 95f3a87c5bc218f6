"""Wind and maneuvers from the track alone against those found with instruments.

    python tests/benchmarks/bench_track.py [DAYS]

DAYS (default 12) of each of three generators that beat and run, as the boat's receiver logs them
(speed and course a second) and as a phone does (positions 2.5 m out of place, a second and four
seconds apart); a day on which the wind is not told counts all its maneuvers as not found. Then
days without tacks, on which nothing may be told.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seas import tracks

HEAD = """
| generator | track | days | wind told | error deg, median (worst) | interval covers | turns \
| within 10 s | extra | where told |
| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"""


def forms(day: tracks.TrackDay, seed: int) -> Iterator[tuple[str, object]]:
    """The same day's track as three receivers log it."""
    yield "receiver, 1 s", day.receiver
    yield "phone, 1 s", day.phone(1.0, seed)
    yield "phone, 4 s", day.phone(4.0, seed)


def told(days: Iterator[tracks.TrackDay]) -> dict[str, list[tuple[float, ...]]]:
    """Per form of track, one row a day: error, covered, wanted, hit, extra."""
    rows: dict[str, list[tuple[float, ...]]] = {}
    for seed, day in enumerate(days):
        wanted = tracks.by_instruments(day)
        for name, raw in forms(day, seed):
            _, wind, maneuvers = tracks.by_track(raw, day.crew)
            found = tracks.tacks_and_gybes(maneuvers)
            hit = tracks.paired(wanted, found)
            error, covered = (tracks.direction_error_deg(day, wind),
                              tracks.interval_holds(day, wind)) if wind.known else (np.nan, np.nan)
            rows.setdefault(f"{day.sea} | {name}", []).append(
                (error, covered, len(wanted), hit, len(found) - hit))
    return rows


def print_told(days: Iterator[tracks.TrackDay]) -> None:
    """One line of the table for each form of track."""
    for name, rows in told(days).items():
        error, covered, wanted, hit, extra = np.array(rows, dtype=float).T
        known = np.isfinite(error)
        print(f"| {name} | {len(rows)} | {known.sum()} | {np.median(error[known]):.1f} "
              f"({error[known].max():.1f}) | {covered[known].mean():.0%} | {wanted.sum():.0f} "
              f"| {hit.sum() / wanted.sum():.1%} | {extra.sum() / wanted.sum():.1%} "
              f"| {hit.sum() / wanted[known].sum():.1%} |", flush=True)


def print_untold(count: int) -> None:
    """Days that cannot tell: how many did all the same, and maneuvers claimed."""
    print("\n| days that cannot tell | tracks | wind told | tacks and gybes |\n"
          "| --- | --- | --- | --- |")
    kinds = {
        "one heading": tracks.light_days("one_heading", count, 400),
        "no tacks": tracks.light_days("no_tacks", count, 400),
        "one reach out and back": tracks.light_days("out_and_back", count, 400),
        "one reach out and back, simulator": tracks.simulated("out_and_back", count, 60),
        "rough, straight, simulator": tracks.simulated("rough_straight", count, 60),
        "light and shifty, simulator": tracks.simulated("light_shifty", count, 60),
        "under engine, simulator": tracks.simulated("motoring", count, 60)}
    for name, days in kinds.items():
        results = [tracks.by_track(raw, day.crew) for seed, day in enumerate(days)
                   for _, raw in forms(day, seed)]
        print(f"| {name} | {len(results)} | {sum(wind.known for _, wind, _ in results)} "
              f"| {sum(len(tracks.tacks_and_gybes(m)) for _, _, m in results)} |", flush=True)


def main(days: int) -> None:
    """Print both tables."""
    print(HEAD)
    print_told(tracks.simulated("beat_and_run", days, 4000))
    print_told(tracks.force_days(days, 5000))
    print_told(tracks.whole_days(days, 6000))
    print_told(tracks.light_days("mixed", days, 7000))
    print_untold(max(2, days // 4))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 12)
