"""Whole invented days through the command's own path: what was found against what was true.

    python tests/benchmarks/bench_days.py [--days N] [--seed S] [--keep DIR]

Each day draws a boat, wind, sea, tide, sensor errors and rates from `tests/seas/whole_days.py`, is
written as NMEA 0183 and analysed from the file. Prints a table of the figures in markdown.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from seas import whole_days as sea

from sailanalysis.app import pipeline
from sailanalysis.core.series import epoch_s


def draw(rng):
    boat = sea.Boat(
        top_kn=rng.uniform(5.5, 12), ease_kn=rng.uniform(5, 11), tau_up_s=rng.uniform(12, 45),
        tau_down_s=rng.uniform(4, 10), upwind_deg=rng.uniform(38, 50), downwind_deg=rng.uniform(138, 165),
        heel_per=rng.uniform(0.3, 1.5), leeway_k=rng.uniform(5, 15), nomoto_k=rng.uniform(0.08, 0.3))
    errors = sea.Errors(
        stw_factor=rng.uniform(0.9, 1.1), awa_offset=rng.uniform(-5, 5), aws_factor=rng.uniform(0.97, 1.03),
        hdg_offset=rng.uniform(-5, 5), vane_lag_s=rng.choice([0, 0, 1, 3]), variation=rng.uniform(-1, 1))
    fast = rng.choice([10, 5, 1])
    rates = {"hdg": fast, "rudder": fast, "heel": min(fast, 5), "wind": min(fast, 2), "stw": min(fast, 2), "gps": 1}
    day = {"boat": boat, "errors": errors, "hours": 2.5, "tws": rng.uniform(5, 20), "twd": rng.uniform(0, 360),
               "waves": rng.uniform(0.2, 1.5), "shift_sd": rng.uniform(2, 8), "gust": rng.uniform(0.05, 0.2),
               "tide_kn": rng.uniform(0, 2.5)}
    return day, rates


def match(true_s, found_s, within_s):
    """Greedy pairs of the nearest."""
    pairs, free = [], list(range(len(found_s)))
    for i, t in enumerate(true_s):
        if free:
            j = min(free, key=lambda q: abs(found_s[q] - t))
            if abs(found_s[j] - t) <= within_s:
                pairs.append((i, j))
                free.remove(j)
    return pairs


def one(seed, folder):
    rng = np.random.default_rng(seed)
    settings, rates = draw(rng)
    day = sea.simulate(rng, **settings)
    told = rng.choice(["rpm", "crew log", "nothing"], p=[0.5, 0.3, 0.2])
    log, crew = folder / f"day{seed}.nmea", folder / f"crew{seed}.csv"
    log.write_text("\r\n".join(sea.nmea_lines(day, rng, rates=rates, rpm=told == "rpm")) + "\r\n")
    if told == "crew log":
        edge = np.flatnonzero(np.diff(day.cols["motor"].astype(int)))
        day.crew += [(day.t[0], "engine", "on")] + [
            (day.t[i + 1], "engine", "on" if day.cols["motor"][i + 1] else "off") for i in edge]
        day.crew.sort()
    sea.write_crew(day, crew)
    began = time.perf_counter()
    result = pipeline.analyse(log, crew_log=crew)
    took = time.perf_counter() - began
    out = {"seed": seed, "engine": str(told), "hz": rates["hdg"], "tws": settings["tws"], "took_s": took}
    found = result.maneuvers
    for kind in ("tack", "gybe"):
        mine = found[found["kind"] == kind]
        when = epoch_s(pd.DatetimeIndex(mine["crossing"])) if len(mine) else np.array([])
        truth = [e for e in day.events if e["kind"] == kind]
        pairs = match([e["t"] for e in truth], when, 5.0)
        out |= {f"{kind}_true": len(truth), f"{kind}_found": len(when), f"{kind}_hit": len(pairs)}
        out[f"{kind}_dt"] = [when[j] - truth[i]["t"] for i, j in pairs]
        rated = [(truth[i]["loss_m"], mine.iloc[j]) for i, j in pairs if bool(mine.iloc[j]["rated"])]
        out[f"{kind}_loss"] = [(t, m["loss_m"], m["loss_m_low"], m["loss_m_high"]) for t, m in rated]
    state = result.samples["state"].to_numpy()
    motor = np.interp(epoch_s(result.samples.index), day.t, day.cols["motor"].astype(float)) > 0.5
    out["state_right"] = float(np.mean(np.where(motor, state == "motoring", state == "sailing")))
    e = settings["errors"]
    truth = {"stw_factor": e.stw_factor, "awa_offset_deg": e.awa_offset, "aws_factor": e.aws_factor,
             "heading_offset_deg": e.hdg_offset, "leeway_k": settings["boat"].leeway_k}
    for name, true in truth.items():
        c = result.calibration[name]
        out[name] = (true, c["value"], c["low"], c["high"], c["determined"])
    polar = result.polar
    polar = polar[(polar["sails"] == "all") & (polar["minutes"] >= 10) & (polar["basis"] == "measured")]
    factor = 1.0 if result.calibration["stw_factor"]["determined"] else e.stw_factor
    out["polar"] = [(float(settings["boat"].speed(r.tws_kn, r.twa_deg)) / factor, r.stw_kn, r.stw_kn_low, r.stw_kn_high)
                    for r in polar.itertuples()]
    h = result.helm
    out["helm"] = {n: np.nanmean(g["smoothness"]) if g["smoothness"].notna().any() else np.nan for n, g in h.groupby("helm")} if len(h) else {}
    out["warnings"] = [w["code"] for w in result.summary["warnings"]]
    return out


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep")
    options = parser.parse_args()
    rows = []
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(options.keep or scratch)
        folder.mkdir(exist_ok=True)
        for seed in range(options.seed, options.seed + options.days):
            row = one(seed, folder)
            rows.append(row)
            print({k: v for k, v in row.items() if k in ("seed", "engine", "hz", "tack_true", "tack_found", "tack_hit", "gybe_true", "gybe_found", "gybe_hit", "state_right", "took_s", "helm", "warnings")}, flush=True)
    print("\n| figure | value |\n| --- | --- |")
    for kind in ("tack", "gybe"):
        true, found, hit = (sum(r[f"{kind}_{w}"] for r in rows) for w in ("true", "found", "hit"))
        dt = np.abs([x for r in rows for x in r[f"{kind}_dt"]])
        print(f"| {kind}s: true / found / within 5 s | {true} / {found} / {hit} |")
        if dt.size:
            print(f"| {kind} crossing error s: median, 95 % | {np.median(dt):.2f}, {np.percentile(dt, 95):.2f} |")
        loss = np.array([x for r in rows for x in r[f"{kind}_loss"]])
        if loss.size:
            err = loss[:, 1] - loss[:, 0]
            inside = np.mean((loss[:, 2] <= loss[:, 0]) & (loss[:, 0] <= loss[:, 3]))
            print(f"| {kind} loss: rated, median true m, median abs error %, bias %, covered | {len(loss)}, {np.median(loss[:, 0]):.1f}, "
                  f"{100 * np.median(np.abs(err) / loss[:, 0]):.1f}, {100 * err.sum() / loss[:, 0].sum():.1f}, {inside:.2f} |")
    print(f"| share of time in the right state | {np.mean([r['state_right'] for r in rows]):.4f} (worst {min(r['state_right'] for r in rows):.4f}) |")
    for name in ("stw_factor", "awa_offset_deg", "aws_factor", "heading_offset_deg", "leeway_k"):
        c = [r[name] for r in rows if r[name][4]]
        if c:
            c = np.array([x[:4] for x in c], dtype=float)
            print(f"| {name}: determined, median abs error, covered | {len(c)}, {np.median(np.abs(c[:, 1] - c[:, 0])):.4f}, {np.mean((c[:, 2] <= c[:, 0]) & (c[:, 0] <= c[:, 3])):.2f} |")
    cells = np.array([x for r in rows for x in r["polar"]])
    if cells.size:
        print(f"| polar cells of 10 min, median abs error %, covered | {len(cells)}, {100 * np.median(np.abs(cells[:, 1] / cells[:, 0] - 1)):.2f}, {np.mean((cells[:, 2] <= cells[:, 0]) & (cells[:, 0] <= cells[:, 3])):.2f} |")
    order = [r["helm"]["Ada"] > r["helm"]["Jonas"] for r in rows if np.isfinite([r["helm"].get("Ada", np.nan), r["helm"].get("Jonas", np.nan)]).all()]
    print(f"| days on which the calmer helm (rudder noise 1.0 against 1.6) scored higher | {sum(order)} of {len(order)} |")


if __name__ == "__main__":
    main()
