"""Whole days for the command line: a kinematic boat whose truth is known, written as NMEA 0183.

Independent of the package and of its generator: speed relaxes towards a closed-form polar, the
heading is prescribed with yaw noise, the rudder follows from the turn (first-order Nomoto), and the
same boat sails on without the turn for the counterfactual. All numbers here are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

KN = 1852.0 / 3600.0
T0 = 1781604000.0  # 2026-06-16T10:00:00Z


def wrap(a):
    return (np.asarray(a) + 180.0) % 360.0 - 180.0


@dataclass
class Boat:
    top_kn: float = 7.5          # speed she tends to in a strong wind
    ease_kn: float = 8.0         # wind scale of the saturation
    no_go_deg: float = 26.0
    best_deg: float = 100.0
    tau_up_s: float = 18.0       # building speed
    tau_down_s: float = 9.0      # losing it
    nomoto_k: float = 0.12       # deg/s per deg of rudder at 6 kn
    nomoto_t: float = 2.0
    heel_per: float = 1.2
    leeway_k: float = 10.0
    upwind_deg: float = 43.0
    downwind_deg: float = 150.0

    def speed(self, tws, twa):
        """Closed form: saturation in wind speed, a sine-like shape in angle."""
        a = np.abs(wrap(twa))
        x = np.clip((a - self.no_go_deg) / (180.0 - self.no_go_deg), 0, 1)
        shape = np.sin(np.pi * np.clip(x, 0, 1) ** 0.62) ** 0.75 * 0.62 + 0.38 * np.clip(x, 0, 1) ** 0.5
        return self.top_kn * shape * (1.0 - np.exp(-np.asarray(tws) / self.ease_kn))


@dataclass
class Errors:
    stw_factor: float = 1.0      # true = logged * factor
    awa_offset: float = 0.0      # true = logged + offset
    aws_factor: float = 1.0
    hdg_offset: float = 0.0
    vane_lag_s: float = 0.0
    variation: float = 0.0
    noise: float = 1.0


@dataclass
class Day:
    t: np.ndarray
    cols: dict = field(default_factory=dict)
    events: list = field(default_factory=list)
    boat: Boat | None = None
    errors: Errors | None = None
    crew: list = field(default_factory=list)
    rudder_noise: dict = field(default_factory=dict)


def ar_noise(rng, n, dt, tau_s, sd):
    a = np.exp(-dt / tau_s)
    from scipy.signal import lfilter
    x = lfilter([1.0], [1.0, -a], rng.normal(0, np.sqrt(1 - a * a), n))
    return sd * x


def simulate(rng, *, boat=None, errors=None, hours=2.0, tws=12.0, twd=220.0, dt=0.1, waves=1.0,
             shift_sd=5.0, gust=0.12, tide_kn=0.8, plan=None, helms=(("Ada", 1.0), ("Jonas", 1.6)),
             motor_s=600.0, leg_s=(150, 420), start_s=T0):
    """One day: motor out, beat with tacks, reach, run with gybes, reach, motor home."""
    boat, errors = boat or Boat(), errors or Errors()
    n = int(hours * 3600 / dt)
    t = np.arange(n) * dt
    w_dir = twd + ar_noise(rng, n, dt, 500.0, shift_sd) + 6.0 * t / 3600.0
    w_spd = tws * np.maximum(0.2, 1 + ar_noise(rng, n, dt, 25.0, gust) + ar_noise(rng, n, dt, 900.0, 0.1))
    m = int(motor_s / dt)
    mode = np.full(n, "sail", dtype=object)
    mode[:m] = mode[-m:] = "motor"
    # plan of target wind angles (signed: starboard positive) between maneuvers
    np.zeros(n)
    i, side, events = m, 1, []
    end_up = m + int((n - 2 * m) * 0.5)
    phase = "up"
    segs = []
    while i < n - m:
        length = int(rng.uniform(*leg_s) / dt)
        if phase == "up" and i >= end_up:  # bear away to a reach, then to a run, on the same side
            phase = "down"
            segs.append((i, side * 90.0, "bear"))
            i += int(300 / dt)
            segs.append((i, side * boat.downwind_deg, "bear"))
        elif not segs:
            segs.append((i, side * boat.upwind_deg, "start"))
        else:
            side = -side
            segs.append((i, side * (boat.upwind_deg if phase == "up" else boat.downwind_deg),
                         "tack" if phase == "up" else "gybe"))
        i += length
    # heading: follow wind-angle target with a slow helm, turns as smooth S-curves
    np.zeros(n)
    hdg = np.zeros(n)
    segs[0][1]
    hdg[:m] = wrap(twd + 15.0) % 360  # motoring nearly into the wind
    slow_dir = w_dir.copy()
    k = int(20 / dt)
    c = np.cumsum(np.insert(w_dir, 0, 0.0))
    slow_dir[k:] = (c[k + 1:] - c[1:-k]) / k  # helm reacts to the last 20 s of wind
    want = np.zeros(n)
    want[:m] = wrap(hdg[:m] - w_dir[:m])
    prev = None
    for j, (start, angle, kind) in enumerate(segs):
        stop = segs[j + 1][0] if j + 1 < len(segs) else n - m
        base = slow_dir[start:stop] - angle
        if prev is None:
            turn_s = 0.0
            course = base
        else:
            turn_s = rng.uniform(7, 13) if kind in ("tack", "bear") else rng.uniform(8, 15)
            u = np.clip((np.arange(stop - start) * dt) / turn_s, 0, 1)
            s = u * u * (3 - 2 * u)
            over = (rng.uniform(0, 8) if kind == "tack" else 0.0) * np.sign(-(wrap(prev - angle)))
            tail = np.exp(-np.maximum(np.arange(stop - start) * dt - turn_s, 0) / 8.0) * s
            # swing through the wind for a tack, through 180 for a gybe
            delta = wrap(angle - prev) if kind != "gybe" else (angle - prev) % 360 - (360 if angle - prev < 0 else 0)
            if kind == "gybe":
                delta = (360 - abs(angle - prev)) * np.sign(prev)
                course = slow_dir[start:stop] - (prev + s * delta)
            else:
                course = slow_dir[start:stop] - (prev + s * (angle - prev)) - over * tail
            if kind in ("tack", "gybe"):
                events.append({"kind": kind, "start": start, "turn": turn_s, "from": prev, "to": angle})
        hdg[start:stop] = course
        prev = angle
    hdg[n - m:] = hdg[n - m - 1] + wrap(twd + 170 - hdg[n - m - 1]) * np.clip(np.arange(m) * dt / 20, 0, 1)
    if m:
        join = int(20 / dt)
        s = np.clip(np.arange(join) / join, 0, 1)
        hdg[m - join:m] += s * wrap(hdg[m] - hdg[m - 1])
    hdg = np.degrees(np.unwrap(np.radians(hdg)))
    # who steers, and how busily: yaw noise follows the rudder's own noise through Nomoto
    crew, noise_gain = [], np.ones(n)
    who = np.full(n, helms[0][0], dtype=object)
    for q, lo in enumerate(range(0, n, int(1500 / dt))):
        name, gain = helms[q % len(helms)]
        who[lo:lo + int(1500 / dt)] = name
        noise_gain[lo:lo + int(1500 / dt)] = gain
        crew.append((start_s + lo * dt, "helm", name))
    busy = noise_gain * ar_noise(rng, n, dt, 1.2, 2.2) * (mode == "sail")
    from scipy.signal import lfilter
    a = np.exp(-dt / boat.nomoto_t)
    helm_yaw = lfilter([boat.nomoto_k * (1 - a)], [1, -a], busy) * dt
    helm_head = np.cumsum(helm_yaw)
    helm_head -= lfilter([1 - np.exp(-dt / 15)], [1, -np.exp(-dt / 15)], helm_head)
    wave_head = waves * ar_noise(rng, n, dt, 1.0, 1.0)
    hdg = hdg + helm_head + wave_head
    yaw = np.gradient(hdg, dt)
    smooth_rate = np.convolve(np.gradient(hdg - wave_head, dt), np.ones(max(1, int(1 / dt))) / max(1, int(1 / dt)), "same")
    rudder = smooth_rate / boat.nomoto_k * 0.5 + 2.0 * np.sign(wrap(w_dir - hdg)) * (np.abs(wrap(w_dir - hdg)) < 100) + busy

    def integrate(twa, spd, motor):
        goal = np.where(motor, 5.5, boat.speed(spd, twa))
        v = np.empty(n)
        x = goal[0]
        up, down = dt / boat.tau_up_s, dt / boat.tau_down_s
        for q in range(n):
            g = goal[q]
            x += (g - x) * (up if g > x else down)
            v[q] = x
        return v

    motor = mode == "motor"
    twa = wrap(w_dir - hdg)
    heel = -np.sign(twa) * boat.heel_per * np.minimum(w_spd, 25) * np.abs(np.sin(np.radians(twa))) * ~motor
    heel = lfilter([1 - np.exp(-dt / 2)], [1, -np.exp(-dt / 2)], heel)
    brake = 1 - 0.0004 * busy**2  # every rudder movement costs a little speed
    stw = integrate(twa, w_spd, motor) * brake
    leeway = np.clip(-boat.leeway_k * heel / np.maximum(stw, 2.0) ** 2 * -1, -12, 12)
    # heel to leeward is away from the wind, and so is the leeway: same sign as the heel
    vmg = stw * np.cos(np.radians(wrap(hdg + leeway - w_dir)))
    # counterfactual: keep the old angle through each maneuver, compare made good until both agree
    truth = []
    for e in events:
        s0 = e["start"]
        stop = min(n - m, s0 + int(150 / dt))
        nxt = [x["start"] for x in events if x["start"] > s0]
        if nxt:
            stop = min(stop, nxt[0])
        seg = slice(s0, stop)
        hold = e["from"]
        g = boat.speed(w_spd[seg], wrap(w_dir[seg] - (slow_dir[seg] - hold)))
        np.sign(hold) * 0
        x = stw[s0] / brake[s0]
        v = np.empty(stop - s0)
        for q in range(stop - s0):
            x += (g[q] - x) * (dt / (boat.tau_up_s if g[q] > x else boat.tau_down_s))
            v[q] = x
        v = v * brake[seg]
        lee = np.clip(boat.leeway_k * boat.heel_per * np.minimum(w_spd[seg], 25) * np.sin(np.radians(abs(hold))) / np.maximum(v, 2) ** 2, 0, 12) * -np.sign(hold)
        cf = v * np.cos(np.radians(wrap(slow_dir[seg] - hold + lee - w_dir[seg])))
        sign = 1 if e["kind"] == "tack" else -1
        made = np.cumsum(sign * (cf - vmg[seg])) * dt * KN
        lag = min(int(90 / dt), len(made) - 1)
        through = np.flatnonzero(np.diff(np.sign(wrap(w_dir[seg] - hdg[seg] + (0 if e["kind"] == "tack" else 180)))))
        truth.append({**e, "lag_s": lag * dt,  "t": start_s + (s0 + (through[0] if through.size else 0)) * dt, "loss_m": float(made[lag])})
    hours_t = t / 3600.0
    set_dir = 60.0 + 25.0 * np.sin(2 * np.pi * hours_t / 6.2)
    drift = tide_kn * (0.7 + 0.3 * np.cos(2 * np.pi * hours_t / 6.2))
    ctw = np.radians(hdg + leeway)
    ve = stw * np.sin(ctw) + drift * np.sin(np.radians(set_dir))
    vn = stw * np.cos(ctw) + drift * np.cos(np.radians(set_dir))
    lat = 49.2 + np.cumsum(vn) * dt * KN / 111200.0
    lon = -3.1 + np.cumsum(ve) * dt * KN / (111320.0 * np.cos(np.radians(49.2)))
    # apparent wind (over water): wind from w_dir relative to water
    wx, wy = -w_spd * np.sin(np.radians(w_dir)), -w_spd * np.cos(np.radians(w_dir))
    bx, by = stw * np.sin(ctw), stw * np.cos(ctw)
    ax, ay = wx - bx, wy - by
    aws = np.hypot(ax, ay)
    awa = wrap(np.degrees(np.arctan2(-ax, -ay)) - hdg)
    d = Day(start_s + t, boat=boat, errors=errors, events=truth, crew=crew)
    d.cols = {"hdg": hdg % 360, "yaw": yaw, "rudder": rudder, "heel": heel, "stw": stw, "twa": twa, "tws": w_spd, "twd": w_dir % 360,
                  "awa": awa, "aws": aws, "lat": lat, "lon": lon, "sog": np.hypot(ve, vn), "cog": np.degrees(np.arctan2(ve, vn)) % 360,
                  "leeway": leeway, "motor": motor, "who": who, "drift": drift, "set": set_dir % 360, "vmg": vmg}
    return d


def checksum(body):
    x = 0
    for ch in body.encode():
        x ^= ch
    return f"${body}*{x:02X}"


def nmea_lines(day, rng, *, rates=None, rpm=False, rudder=True, heel=True):
    """Sentences in order of time; rates in Hz by sensor."""
    r = {"hdg": 10, "wind": 2, "stw": 2, "gps": 1, "rudder": 10, "heel": 5} | (rates or {})
    c, e, t = day.cols, day.errors, day.t
    dt = t[1] - t[0]
    out = []

    def every(hz, phase=0.0):
        step = max(1, round(1 / hz / dt))
        return range(int(phase / dt) % step, len(t), step)

    import datetime as dt_
    aw, sp = np.radians(c["awa"]), c["aws"]
    if e.vane_lag_s:
        from scipy.signal import lfilter
        a = np.exp(-dt / e.vane_lag_s)
        x = lfilter([1 - a], [1, -a], sp * np.cos(aw))
        y = lfilter([1 - a], [1, -a], sp * np.sin(aw))
        aw, sp = np.arctan2(y, x), np.hypot(x, y)
    nz = e.noise
    for i in every(r["hdg"]):
        h = (c["hdg"][i] - e.hdg_offset - e.variation + nz * rng.normal(0, 0.2)) % 360
        out.append((t[i], checksum(f"HCHDG,{h:.1f},,,{e.variation:.1f},E")))
    for i in every(r["wind"], 0.1):
        a = (np.degrees(aw[i]) - e.awa_offset + nz * rng.normal(0, 1.5)) % 360
        out.append((t[i], checksum(f"WIMWV,{a:.1f},R,{max(0, sp[i] / e.aws_factor + nz * rng.normal(0, .25)):.1f},N,A")))
    for i in every(r["stw"], 0.2):
        out.append((t[i], checksum(f"VWVHW,,T,,M,{max(0, c['stw'][i] / e.stw_factor + nz * rng.normal(0, .06)):.2f},N,,K")))
    for i in every(r["gps"], 0.0):
        when = dt_.datetime.fromtimestamp(t[i], dt_.UTC)
        la = c["lat"][i] + nz * rng.normal(0, 0.5) / 111200
        lo = c["lon"][i] + nz * rng.normal(0, 0.5) / 72000
        def dm(x, w):
            x = abs(x)
            return f"{int(x):0{w}d}{(x % 1) * 60:07.4f}"
        out.append((t[i] + 0.01, checksum(
            f"GPRMC,{when:%H%M%S}.{when.microsecond // 10000:02d},A,{dm(la, 2)},N,{dm(lo, 3)},W,"
            f"{max(0, c['sog'][i] + nz * rng.normal(0, .05)):.2f},{(c['cog'][i] + nz * rng.normal(0, 1)) % 360:.1f},{when:%d%m%y},{e.variation:.1f},E,A")))
    if rudder:
        for i in every(r["rudder"]):
            out.append((t[i] + 0.02, checksum(f"IIRSA,{c['rudder'][i] + nz * rng.normal(0, .1):.1f},A,,")))
    if heel:
        for i in every(r["heel"]):
            out.append((t[i] + 0.03, checksum(f"IIXDR,A,{c['heel'][i]:.1f},D,HEEL")))
    if rpm:
        for i in every(1.0, 0.5):
            out.append((t[i], checksum(f"IIRPM,E,1,{2200 if c['motor'][i] else 0},,A")))
    out.sort(key=lambda x: x[0])
    return [line for _, line in out]


def write_crew(day, path):
    import datetime as dt_
    rows = ["time,item,value,note"]
    rows += [f"{dt_.datetime.fromtimestamp(s, dt_.UTC):%Y-%m-%dT%H:%M:%SZ},{item},{value}," for s, item, value in day.crew]
    path.write_text("\n".join(rows) + "\n")
