"""A day made by hand: a beat in zigzag, a run home, every table filled with plain numbers."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sailanalysis.core.channels import SAMPLE_COLUMNS
from sailanalysis.core.errors import Finding
from sailanalysis.core.model import Boat, CrewEntry, CrewLog, InputReport
from sailanalysis.core.series import utc_index
from sailanalysis.day import Day

START_S = 1_750_000_000.0


def made_samples(hours: float = 1.5, rate_hz: float = 1.0, seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    n = int(hours * 3600 * rate_hz)
    t = np.arange(n) / rate_hz
    side = np.where((t // 420).astype(int) % 2 == 0, 1.0, -1.0)
    width = max(1, int(8 * rate_hz))
    smooth = np.convolve(np.pad(side, width, mode="edge"), np.ones(width) / width, "same")[width:-width]
    down = t > 0.6 * t[-1]
    twd = 230 + 6 * np.sin(t / 700)
    angle = np.where(down, 145.0, 42.0)
    twa = angle * smooth
    tws = 12 + 2 * np.sin(t / 300) + 0.3 * rng.standard_normal(n)
    stw = np.where(down, 6.8, 6.1) * (0.55 + 0.45 * np.abs(smooth)) + 0.1 * rng.standard_normal(n)
    hdg = (twd - twa) % 360
    east = np.cumsum(stw * np.sin(np.radians(hdg))) * 0.514444 / rate_hz
    north = np.cumsum(stw * np.cos(np.radians(hdg))) * 0.514444 / rate_hz
    rate = np.gradient(np.unwrap(np.radians(hdg))) * 180 / np.pi * rate_hz
    frame = pd.DataFrame({
        "lat": 54.5 + north / 111_200, "lon": 10.2 + east / (111_200 * np.cos(np.radians(54.5))),
        "sog_kn": stw, "cog_deg": hdg, "stw_kn": stw, "hdg_deg": hdg, "awa_deg": 0.7 * twa,
        "aws_kn": tws + 4, "twa_deg": twa, "tws_kn": tws, "twd_deg": twd % 360,
        "rudder_deg": 3 * np.sin(t / 3) + rng.standard_normal(n), "heel_deg": -18 * smooth,
        "trim_deg": np.nan, "rate_of_turn_deg_s": rate, "leeway_deg": -4 * smooth,
        "set_deg": 80.0, "drift_kn": 0.6 + 0.2 * np.sin(t / 1000),
        "vmg_kn": stw * np.cos(np.radians(twa)), "depth_m": 18.0, "engine_rpm": np.nan,
        "helm": np.where(t < t[-1] / 2, "Ada", "Bo"), "sails": np.where(down, "main+spi", "main+jib"),
        "state": np.where(t > t[-1] - 240, "motoring", np.where(t < 120, "stopped", "sailing")),
    }, index=utc_index(START_S + t))
    return frame.astype({"helm": object, "sails": object, "state": object})[list(SAMPLE_COLUMNS)]


def made_day(samples: pd.DataFrame | None = None, **text: str) -> Day:
    """``text`` may replace helm, sails, note, file, boat, message by hostile ones."""
    samples = made_samples() if samples is None else samples
    if "helm" in text:
        samples = samples.assign(helm=text["helm"])
    if "sails" in text:
        samples = samples.assign(sails=text["sails"])
    index = samples.index
    start, span = index[0], (index[-1] - index[0]).total_seconds()
    crossings = list(range(420, int(span) - 300, 420))
    rng = np.random.default_rng(3)
    kinds = ["tack" if s < 0.6 * span else "gybe" for s in crossings]
    loss = 22 + 9 * rng.standard_normal(len(crossings))
    sides = ["starboard", "port"]
    at = [start + pd.Timedelta(seconds=s) for s in crossings]
    maneuvers = pd.DataFrame({
        "kind": kinds, "start": [a - pd.Timedelta(seconds=8) for a in at],
        "end": [a + pd.Timedelta(seconds=25) for a in at], "crossing": at,
        "from_side": [sides[i % 2] for i in range(len(at))],
        "to_side": [sides[(i + 1) % 2] for i in range(len(at))],
        "twa_before_deg": 42.0, "twa_after_deg": -42.0, "tws_kn": 12.1, "turn_deg": 84.0,
        "max_rate_of_turn_deg_s": 9.0, "stw_before_kn": 6.1, "stw_min_kn": 3.4, "stw_after_kn": 6.0,
        "recovery_s": 28.0, "loss_m": loss, "loss_m_low": loss - 6, "loss_m_high": loss + 6,
        "loss_s": loss / 2.3, "rated": [i != 1 for i in range(len(at))],
        "why_not": ["" if i != 1 else "the wind shifted 20 degrees in it" for i in range(len(at))],
        "helm": text.get("helm", "Ada"), "sails": text.get("sails", "main+jib"), "what": ""})
    work = maneuvers.iloc[[0]].assign(kind="luff", start=start + pd.Timedelta(seconds=200),
                                      end=start + pd.Timedelta(seconds=260),
                                      crossing=pd.NaT, loss_m=np.nan, rated=False)
    maneuvers = pd.concat([maneuvers, work], ignore_index=True)
    legs = pd.DataFrame([{
        "start": a + pd.Timedelta(seconds=40), "end": a + pd.Timedelta(seconds=400),
        "duration_s": 360.0, "side": sides[(i + 1) % 2], "twa_deg": 42.0 if k == "tack" else 145.0,
        "tws_kn": 12.0, "twd_deg": 230.0, "stw_kn": 6.1, "stw_sd_kn": 0.2, "sog_kn": 6.2,
        "vmg_kn": 4.5, "heel_deg": 18.0, "leeway_deg": 4.0, "rudder_mean_deg": 2.0,
        "helm": text.get("helm", "Ada"), "sails": text.get("sails", "main+jib"),
        "polar_ratio": 0.94 + 0.02 * (i % 4)} for i, (a, k) in enumerate(zip(at, kinds, strict=True))])
    grid = [(w, a) for w in (10, 12, 14) for a in [*range(35, 65, 5), *range(120, 165, 5)]]
    polar = pd.DataFrame([{
        "sails": s, "tws_kn": float(w), "twa_deg": float(a),
        "stw_kn": 4 + 0.2 * w * np.sin(np.radians(a)), "stw_kn_low": 3.8 + 0.2 * w * np.sin(np.radians(a)),
        "stw_kn_high": 4.2 + 0.2 * w * np.sin(np.radians(a)), "stw_best_kn": 4.5 + 0.2 * w * np.sin(np.radians(a)),
        "minutes": 6.0, "basis": "measured" if a % 10 else "interpolated"}
        for s in ("all", text.get("sails", "main+jib")) for w, a in grid])
    targets = pd.DataFrame([{
        "sails": "all", "tws_kn": float(w), "direction": d, "twa_deg": a, "twa_low_deg": a - 2,
        "twa_high_deg": a + 2, "stw_kn": 6.0, "vmg_kn": v, "vmg_low_kn": v - 0.1, "vmg_high_kn": v + 0.1,
        "awa_deg": 28.0, "aws_kn": 16.0}
        for w in (10, 12, 14) for d, a, v in (("upwind", 42.0, 4.5), ("downwind", 147.0, -5.2))])
    helm = pd.DataFrame([{
        "helm": text.get("helm", h), "point_of_sail": p, "start": start + pd.Timedelta(seconds=s),
        "end": start + pd.Timedelta(seconds=s + 600), "minutes": 10.0, "tws_kn": 12.0, "rudder_rms_deg": 2.1,
        "rudder_mean_deg": 2.0, "rudder_rate_rms_deg_s": 1.1, "reversals_per_min": 14.0,
        "course_sd_deg": 3.0, "twa_sd_deg": 3.5, "steering_cost": 9.0, "rudder_drag_ratio": 0.012,
        "smoothness": c, "smoothness_low": c - 4, "smoothness_high": c + 4}
        for h, p, s, c in (("Ada", "upwind", 300, 61.0), ("Bo", "downwind", 3000, 44.0))])
    trials = pd.DataFrame([{
        "time": start + pd.Timedelta(seconds=1500), "what": text.get("trim", "mainsheet eased 20 cm"),
        "stw_before_kn": 6.0, "stw_after_kn": 6.3, "gain_kn": 0.25, "gain_low_kn": 0.1,
        "gain_high_kn": 0.4, "minutes_before": 5.0, "minutes_after": 5.0, "verdict": "faster"}])
    calibration = {name: {"value": v, "low": lo, "high": hi, "determined": d, "why_not": w}
                   for name, v, lo, hi, d, w in (
                       ("stw_factor", 1.04, 1.03, 1.05, True, ""),
                       ("awa_offset_deg", -2.1, -2.6, -1.6, True, ""),
                       ("aws_factor", 1.0, 0.97, 1.03, True, ""),
                       ("heading_offset_deg", float("nan"), float("nan"), float("nan"), False,
                        "sail the reciprocal course for five minutes"),
                       ("leeway_k", 9.0, 8.0, 10.0, True, ""))}
    file = text.get("file", "harbour-evening.nmea")
    crew = CrewLog((CrewEntry(START_S + 10, "helm", text.get("helm", "Ada")),
                    CrewEntry(START_S + 1500, "trim", text.get("trim", "mainsheet eased 20 cm")),
                    CrewEntry(START_S + 1600, "note", text.get("note", "off Grey Point"), text.get("note", ""))))
    return Day(
        samples=samples, rate_hz=1.0, maneuvers=maneuvers, legs=legs, polar=polar, targets=targets,
        helm=helm, trials=trials, calibration=calibration, wind_source="instruments",
        boat=Boat(name=text.get("boat", "Made Up"), loa_m=11.0), crew=crew,
        inputs=(InputReport(file, "nmea0183", 20000, 19990, {"checksum": 10}),),
        findings=(Finding("stuck-sensor", text.get("message", f"In {file} the depth stood still.")),),
        summary={"day": str(index[0])[:10], "start": str(start), "end": str(index[-1]), "duration_s": span, "sailing_s": span - 360,
                 "motoring_s": 240.0, "stopped_s": 120.0, "distance_over_ground_nm": 9.1,
                 "distance_through_water_nm": 8.8, "tacks": kinds.count("tack"), "gybes": kinds.count("gybe"),
                 "channels": [], "wind_source": "instruments", "warnings": [], "inputs": []})
