"""Wind, waves and tide over a day, made in advance so that a day can be sailed again in them.

Everything is a function of time only: a boat that does not tack meets the same gusts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .boats import KNOT


@dataclass(frozen=True)
class SeaModel:
    """Wind over ground, waves and tide.

    Attributes
    ----------
    tws_kn, twd_deg : float
        Mean wind over ground at the day's start.
    tws_trend_kn_h, twd_trend_deg_h : float
        Slow change per hour.
    turbulence : float
        Gust spread over mean speed (all time scales together).
    shift_deg, shift_period_s : float
        Oscillating shift: amplitude and period; its phase is drawn.
    wander_deg : float
        Standard deviation of the irregular slow wander (time scale 500 s).
    flutter_deg : float
        Standard deviation of the quick part (time scale 5 s), scaled with 10 kn over the wind.
    ramp_deg, ramp_start_s, ramp_length_s : float
        One lasting shift.
    wave_height_m, wave_period_s : float
        Significant height and peak period.
    tide_kn, tide_set_deg, tide_phase_h, tide_round : float
        Strongest stream, its axis, hours after strongest flood at the start, and the minor over
        the major axis of the rotary ellipse.
    steady_current_kn, steady_set_deg : float
        Current that does not turn.
    shear_deg : float
        Unusual: the masthead's wind is turned by this much against the wind the sails feel.
    tide_line_s, tide_line_kn : float
        Unusual: at that time the boat crosses into a stream stronger by this along the axis.
    squall_s, squall_factor, squall_length_s : float
        Unusual: the wind grows by a factor within a minute, and falls again.
    """

    tws_kn: float = 12.0
    twd_deg: float = 225.0
    tws_trend_kn_h: float = 0.0
    twd_trend_deg_h: float = 0.0
    turbulence: float = 0.09
    shift_deg: float = 5.0
    shift_period_s: float = 600.0
    wander_deg: float = 2.5
    flutter_deg: float = 1.5
    ramp_deg: float = 0.0
    ramp_start_s: float = 3600.0
    ramp_length_s: float = 300.0
    wave_height_m: float = 0.5
    wave_period_s: float = 3.6
    tide_kn: float = 0.8
    tide_set_deg: float = 60.0
    tide_phase_h: float = 0.0
    tide_round: float = 0.15
    steady_current_kn: float = 0.0
    steady_set_deg: float = 0.0
    shear_deg: float = 0.0
    tide_line_s: float = 0.0
    tide_line_kn: float = 0.0
    squall_s: float = 0.0
    squall_factor: float = 1.0
    squall_length_s: float = 900.0


@dataclass
class Water:
    """The day as arrays at the step of the simulation; wind is over the water."""

    tws_m_s: np.ndarray
    twd_deg: np.ndarray
    twd_slow_deg: np.ndarray
    felt_m_s: np.ndarray
    felt_twd_deg: np.ndarray
    current_east_m_s: np.ndarray
    current_north_m_s: np.ndarray
    slope: dict[str, np.ndarray]
    pitch_deg: dict[str, np.ndarray]
    wave_height_m: float
    shear_deg: float = 0.0


def wandering(rng: np.random.Generator, n: int, step_s: float, scale_s: float) -> np.ndarray:
    """First order autoregressive noise, unit spread, with a time scale, shape (n,)."""
    from scipy.signal import lfilter

    rho = np.exp(-step_s / scale_s)
    noise = rng.standard_normal(n) * np.sqrt(1 - rho**2)
    return lfilter([1.0], [1.0, -rho], noise, zi=[rho * rng.standard_normal()])[0]


def lowpass(values: np.ndarray, step_s: float, scale_s: float) -> np.ndarray:
    """First order lag with a time constant, started at the first value."""
    from scipy.signal import lfilter

    rho = np.exp(-step_s / scale_s) if scale_s > 0 else 0.0
    return lfilter([1 - rho], [1.0, -rho], values, zi=[rho * values[0]])[0]


def band(rng: np.random.Generator, n: int, step_s: float, period_s: float,
         width: float = 0.22) -> np.ndarray:
    """Band-limited unit noise about a period: two resonators in series, like a swell's groups."""
    from scipy.signal import butter, sosfilt

    nyquist = 0.5 / step_s
    centre = min(1.0 / period_s, 0.7 * nyquist)
    low, high = centre * (1 - width), min(centre * (1 + width), 0.95 * nyquist)
    sos = butter(2, [low, high], btype="bandpass", fs=1.0 / step_s, output="sos")
    lead = int(20 * period_s / step_s)
    wave = sosfilt(sos, rng.standard_normal(n + lead))[lead:]
    return wave / max(float(wave.std()), 1e-12)


def make_water(sea: SeaModel, n: int, step_s: float, rng: np.random.Generator,
               speed_hint_m_s: float = 3.0) -> Water:
    """Draw the day's wind, waves and tide."""
    time = np.arange(n) * step_s
    hours = time / 3600.0
    # A gust's spread falls on three time scales: puffs, bands and squalls.
    gust = (0.5 * wandering(rng, n, step_s, 7.0) + 0.65 * wandering(rng, n, step_s, 45.0)
            + 0.57 * wandering(rng, n, step_s, 350.0))
    mean = np.maximum(sea.tws_kn + sea.tws_trend_kn_h * hours, 1.0)
    ground = np.maximum(mean * (1.0 + sea.turbulence * gust), 0.12 * mean)
    if sea.squall_factor != 1.0:
        since = time - sea.squall_s
        rise = np.clip(since / 60.0, 0, 1) * np.clip((sea.squall_length_s - since) / 180.0, 0, 1)
        ground = ground * (1.0 + (sea.squall_factor - 1.0) * rise)
    ramp = sea.ramp_deg * np.clip((time - sea.ramp_start_s) / max(sea.ramp_length_s, 1.0), 0, 1)
    phase = rng.uniform(0, 2 * np.pi)
    period = sea.shift_period_s * np.exp(0.12 * wandering(rng, n, step_s, 900.0))
    swing = sea.shift_deg * np.sin(phase + 2 * np.pi * np.cumsum(step_s / period))
    slow = (sea.twd_deg + sea.twd_trend_deg_h * hours + ramp + swing
            + sea.wander_deg * wandering(rng, n, step_s, 500.0))
    # In light air the direction flutters more, roughly with one over the wind.
    light = np.clip(10.0 / np.maximum(ground, 1.5), 0.5, 4.0)
    quick = sea.flutter_deg * light * (0.7 * wandering(rng, n, step_s, 3.0)
                                       + 0.7 * wandering(rng, n, step_s, 12.0))
    tide = 2 * np.pi * (hours + sea.tide_phase_h) / 12.42
    axis = np.radians(sea.tide_set_deg)
    along, across = sea.tide_kn * np.cos(tide), sea.tide_kn * sea.tide_round * np.sin(tide)
    if sea.tide_line_kn:
        along = along + sea.tide_line_kn * np.clip((time - sea.tide_line_s) / 20.0, 0, 1)
    steady = np.radians(sea.steady_set_deg)
    east = KNOT * (along * np.sin(axis) + across * np.cos(axis)
                   + sea.steady_current_kn * np.sin(steady))
    north = KNOT * (along * np.cos(axis) - across * np.sin(axis)
                    + sea.steady_current_kn * np.cos(steady))
    speed, direction = _over_water(ground * KNOT, slow + quick, east, north)
    slow_ground = lowpass(ground * KNOT, step_s, 120.0)
    _, slow_water = _over_water(slow_ground, slow, east, north)
    felt_east = lowpass(speed * np.sin(np.radians(direction)), step_s, 2.0)
    felt_north = lowpass(speed * np.cos(np.radians(direction)), step_s, 2.0)

    slope, pitch = {}, {}
    celerity = 1.56 * sea.wave_period_s
    for name, along_speed in (("ahead", speed_hint_m_s), ("abeam", 0.0),
                              ("astern", -speed_hint_m_s)):
        seen = sea.wave_period_s / max(1.0 + 0.8 * along_speed / celerity, 0.35)
        slope[name] = band(rng, n, step_s, seen)
        pitch[name] = band(rng, n, step_s, seen)
    return Water(speed, (direction + sea.shear_deg) % 360.0, slow_water,
                 np.hypot(felt_east, felt_north),
                 np.degrees(np.arctan2(felt_east, felt_north)) % 360.0, east, north, slope, pitch,
                 sea.wave_height_m, sea.shear_deg)


def _over_water(ground_m_s: np.ndarray, from_deg: np.ndarray, east: np.ndarray,
                north: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Wind over the water, given wind over ground and the current that goes east and north."""
    # Air moves towards the opposite of where it comes from; the water's own motion is taken off.
    air_east = -ground_m_s * np.sin(np.radians(from_deg)) - east
    air_north = -ground_m_s * np.cos(np.radians(from_deg)) - north
    return np.hypot(air_east, air_north), np.degrees(np.arctan2(-air_east, -air_north)) % 360.0
