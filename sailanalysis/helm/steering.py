"""Measures of steering: how far and how fast the rudder moves, how often it turns back, what a
wandering course costs.

Every measure stands alone on arrays, with its published definition beside it. Comparability
between logs rests on two facts: the variance of a sampled signal does not depend on how often it
is sampled, and everything that does (rates, reversals) is first brought to one rate and one band,
up to ``BAND_HZ``, which a log at 1 Hz still carries.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from sailanalysis.core.angles import Floats
from sailanalysis.core.series import box_count, box_sum, recursive_filter

SLOW_MEAN_S: Final = 60.0
"""Width of the moving mean that is taken off. Slower changes of rudder and course are trim, heel
and wind shifts; a helm's own corrections have periods of some 5-30 s (common practice)."""

BAND_HZ: Final = 0.4
"""Upper end of the common band: below the Nyquist frequency of a 1 Hz log, above the encounter
frequency of all but the shortest chop and above where a person steers with effect."""

MIN_RATE_HZ: Final = 0.9
"""Slowest rudder log from which rates and reversals in the common band can be had."""

WORK_RATE_HZ: Final = 4.0
"""Slower signals are interpolated within their band to at least this before filtering, so that a
turning point between two samples is not clipped."""

REVERSAL_GAP_DEG: Final = 1.5
"""Dead band of a reversal. SAE J2944 takes 3 deg at a steering wheel; at a rudder, which moves
1:1 with the tiller, half of that is the smallest deliberate correction (common practice)."""

MOVING_DEG_S: Final = 1.0
"""The rudder counts as moving above this rate in the common band."""

NORRBIN_LAMBDA: Final = 0.1
"""Weight of rudder in the steering cost, Norrbin 1972 (value from memory; Koyama 1967 has 8-10,
Astrom and Kallstrom 1/12 for a tanker). The small one suits course keeping in open water."""


def slow_mean(value: ArrayLike, rate_hz: float, window_s: float = SLOW_MEAN_S) -> Floats:
    """Centred slow mean of one unbroken piece, twice smoothed; the window shrinks at the ends.

    Two passes of a moving mean, each ``1/sqrt(2)`` of the window, cut where one of the whole window
    would and leave no ripple: a single one adds up to a tenth to some periods.

    Parameters
    ----------
    value : array_like, shape (n,)
        Without NaN.
    rate_hz : float
    window_s : float
    """
    x = np.asarray(value, dtype=float)
    n = x.size
    half = max(1, round(window_s * rate_hz / 2 / np.sqrt(2)))
    count = box_count(n, half)
    for _ in range(2):
        centre = x[0] if n else 0.0
        x = box_sum(x - centre, half) / count + centre
    return np.asarray(x, dtype=float)


def low_pass(value: ArrayLike, rate_hz: float, cutoff_hz: float) -> Floats:
    """Second-order Butterworth run forwards and backwards: no delay, the filter of SAE J2944.

    Parameters
    ----------
    value : array_like, shape (n,)
        Without NaN; ten samples and fewer come back as they are.
    rate_hz, cutoff_hz : float
        The cut-off lies below half the rate.

    References
    ----------
    .. [1] Markkula and Engstrom, "A steering wheel reversal rate metric for assessing effects of
       visual and cognitive secondary task load", 13th ITS World Congress, 2006.
    .. [2] Oppenheim and Schafer, Discrete-Time Signal Processing, 3rd ed., 2010, section 7.2
       (bilinear transform).
    """
    x = np.asarray(value, dtype=float)
    order, ends = 2, 6
    if x.size <= 3 * (order + 1):
        return x.copy()
    k = np.tan(np.pi * cutoff_hz / rate_hz)
    scale = 1.0 + np.sqrt(2.0) * k + k * k
    b = np.array([1.0, 2.0, 1.0]) * (k * k / scale)
    a = np.array([1.0, 2.0 * (k * k - 1.0) / scale, (1.0 - np.sqrt(2.0) * k + k * k) / scale])
    # Odd padding of three times the order at either end is what the definition's own code does.
    out = np.concatenate([2 * x[0] - x[ends:0:-1], x, 2 * x[-1] - x[-2:-ends - 2:-1]])
    for _ in range(2):
        out = recursive_filter(out, b, a, before=float(out[0]))[::-1]
    return np.asarray(out[ends:-ends], dtype=float)


def band_pass_rate(value: ArrayLike, rate_hz: float, low_hz: float, high_hz: float) -> Floats:
    """Rate of change of a signal within a band, units per second, by its Fourier series.

    The piece is freed of its straight line and tapered at the ends; the derivative is taken in the
    frequency domain, so that it does not depend on the step.
    """
    x = np.asarray(value, dtype=float)
    n = x.size
    if n < 8:
        return np.full(n, np.nan)
    t = np.linspace(-1.0, 1.0, n)
    x = x - x.mean() - t * (t @ x) / (t @ t)
    reach = min(n // 4, round(5 * rate_hz))
    mirrored = np.concatenate([-x[reach:0:-1] + 2 * x[0], x, 2 * x[-1] - x[-2:-reach - 2:-1]])
    taper = np.ones(mirrored.size)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(reach) + 0.5) / max(reach, 1))
    taper[:reach], taper[mirrored.size - reach:] = ramp, ramp[::-1]
    from scipy.fft import next_fast_len

    size = next_fast_len(mirrored.size, real=True)
    f = np.fft.rfftfreq(size, 1.0 / rate_hz)
    keep = (f >= low_hz) & (f <= high_hz)
    transform = np.fft.rfft(mirrored * taper, size)
    rate = np.fft.irfft(np.where(keep, transform * 2j * np.pi * f, 0.0), size)
    return np.asarray(rate[reach:reach + n], dtype=float)


def to_work_rate(value: ArrayLike, rate_hz: float) -> tuple[Floats, float]:
    """Interpolate a slow signal within its own band to ``WORK_RATE_HZ`` or more.

    Returns
    -------
    ndarray, shape (m,)
        The same signal; unchanged when it is fast enough.
    float
        Its rate.
    """
    x = np.asarray(value, dtype=float)
    if rate_hz >= WORK_RATE_HZ or x.size < 8:
        return x, rate_hz
    up, reach = int(np.ceil(WORK_RATE_HZ / rate_hz)), 10
    # Beyond the ends the signal goes on as a line.
    beyond = (x[-1] - x[0]) / (x.size - 1) * np.arange(1, reach + 1)
    spread = np.zeros((x.size + 2 * reach) * up)
    spread[::up] = np.concatenate([x[0] - beyond[::-1], x, x[-1] + beyond])
    fine = np.convolve(spread, _sinc(up, reach))[2 * reach * up:]
    return fine[: (x.size - 1) * up + 1], rate_hz * up


@cache
def _sinc(up: int, reach: int) -> Floats:
    """Windowed sinc over ``reach`` old samples either way, ``up`` new ones to each.

    Much sharper than a short one: content just under the old Nyquist frequency must pass.
    """
    tap = np.arange(-reach * up, reach * up + 1)
    sinc = np.kaiser(tap.size, 5.0) * np.sinc(tap / up)
    return np.asarray(sinc * (up / sinc.sum()), dtype=float)


def reversals(angle_deg: ArrayLike, gap_deg: float) -> list[tuple[int, int]]:
    """Steering reversals: turning points more than a gap apart, upward and downward apart.

    Parameters
    ----------
    angle_deg : array_like, shape (n,)
        Filtered angle.
    gap_deg : float
        Dead band: a movement counts when it is larger than this.

    Returns
    -------
    list of (int, int)
        Start and end sample of each, in order of their end.

    Notes
    -----
    The standard's rule: among the signal's stationary points, an upward reversal ends at the first
    one that lies more than the gap above the lowest since the last upward reversal; downward ones
    are upward ones of the mirrored signal, with a memory of their own. Slow creep between two such
    points may count once each way; a plain zigzag counter gives somewhat fewer.

    References
    ----------
    .. [1] SAE J2944, Operational Definitions of Driving Performance Measures and Statistics, 2015.
    .. [2] Markkula and Engstrom, 13th ITS World Congress, 2006.
    """
    x = np.asarray(angle_deg, dtype=float)
    step = np.sign(np.diff(x, prepend=x[:1]))
    turn = (np.abs(step[:-1] - step[1:]) == 2) | (step[:-1] == 0)
    at = np.flatnonzero(turn)
    found: list[tuple[int, int]] = []
    for sign in (1.0, -1.0):
        height = (sign * x[at]).tolist()
        start = 0
        for j in range(len(height)):
            rise = height[j] - height[start]
            if rise > gap_deg:
                found.append((int(at[start]), int(at[j])))
                start = j
            elif rise <= 0:
                start = j
    return sorted(found, key=lambda pair: pair[1])


def reversal_rate_per_min(
    angle_deg: ArrayLike, rate_hz: float, gap_deg: float = REVERSAL_GAP_DEG,
    cutoff_hz: float | None = BAND_HZ,
) -> float:
    """Steering reversals a minute after the standard's low pass.

    Parameters
    ----------
    angle_deg : array_like, shape (n,)
    rate_hz : float
    gap_deg : float
        Default as adapted to a rudder; the standard's pairs are 3 deg with 0.6 Hz and 0.1 deg
        with 2 Hz at a steering wheel.
    cutoff_hz : float or None
        None: no filter.
    """
    x = np.asarray(angle_deg, dtype=float)
    if x.size < 2:
        return float("nan")
    smooth = x if cutoff_hz is None else low_pass(x, rate_hz, cutoff_hz)
    return float(len(reversals(smooth, gap_deg)) / ((x.size - 1) / rate_hz) * 60.0)


def rms(value: ArrayLike) -> float:
    """Root of the mean square of the finite values."""
    x = np.asarray(value, dtype=float)
    x = x[np.isfinite(x)]
    return float(np.sqrt(np.mean(x * x))) if x.size else float("nan")


def extra_distance_normal(sd_deg: float) -> float:
    """Extra distance of a course with normal errors: ``exp(sigma^2 / 2) - 1``, a share."""
    return float(np.expm1(0.5 * np.radians(sd_deg) ** 2))


def nomoto_yaw_deg_s(rudder_deg: ArrayLike, rate_hz: float, K: float, T: float) -> Floats:
    """Rate of turn of a first-order boat, ``T r' + r = K rudder``, from rest.

    Exact for a rudder held between samples.

    References
    ----------
    .. [1] Nomoto, Taguchi, Honda and Hirano, Int. Shipbuilding Progress 4, 354-370, 1957.
    """
    keep = float(np.exp(-1.0 / (rate_hz * T)))
    return recursive_filter(rudder_deg, [0.0, K * (1.0 - keep)], [1.0, -keep])


def power_spectrum(pieces: list[Floats], rate_hz: float, segment_s: float = 60.0
                   ) -> tuple[Floats, Floats]:
    """Welch spectrum over several pieces (Hann, half overlapped, line removed).

    Parameters
    ----------
    pieces : list of ndarray
    rate_hz : float
    segment_s : float
        Pieces shorter than this are left out.

    Returns
    -------
    frequency_hz, power : ndarray
        Power per Hz; empty when no piece is long enough.
    """
    n = round(segment_s * rate_hz)
    if n < 8:
        return np.zeros(0), np.zeros(0)
    window = np.hanning(n + 1)[:-1]
    t = np.linspace(-1.0, 1.0, n)
    cuts = [piece[i:i + n] for piece in pieces for i in range(0, piece.size - n + 1, n // 2)]
    if not cuts:
        return np.zeros(0), np.zeros(0)
    block = np.array(cuts)
    block = block - block.mean(axis=1, keepdims=True)
    block = block - np.outer(block @ t / (t @ t), t)
    power = np.abs(np.fft.rfft(block * window, axis=1)) ** 2
    density = 2.0 * power.mean(axis=0) / (rate_hz * np.sum(window**2))
    return np.asarray(np.fft.rfftfreq(n, 1.0 / rate_hz), dtype=float), density


def sensor_step_deg(pieces: list[Floats]) -> float:
    """Smallest step a sensor gives; 0 where its values are not multiples of any."""
    jumps = np.concatenate([np.abs(np.diff(piece)) for piece in pieces] or [np.zeros(0)])
    jumps = jumps[jumps > 1e-9]
    if not jumps.size:
        return 0.0
    step = float(np.percentile(jumps, 1))
    multiple = jumps / step
    return step if np.mean(np.abs(multiple - np.round(multiple)) < 0.05) > 0.9 else 0.0


def noise_variance(pieces: list[Floats], rate_hz: float) -> float:
    """Variance of a rudder sensor's own noise, from what no helm can do and from its steps.

    Above some 1.5 Hz neither a person nor a steering gear moves a rudder; the power there, taken
    as white over the whole band (the lower quartile over the pieces, since real movement has
    harmonics), is noise. A slower log shows only its step: a rounding error has variance
    ``step^2 / 12``.

    Returns
    -------
    float
        Square degrees; a lower bound where only the step is known.
    """
    if not any(np.ptp(piece) > 0 for piece in pieces if piece.size):
        return 0.0
    rounding = sensor_step_deg(pieces) ** 2 / 12
    if rate_hz < 4.0:
        return rounding
    floors = []
    for piece in pieces:
        f, density = power_spectrum([piece], rate_hz, 20.0)
        high = (f > 1.5) & (f < 0.48 * rate_hz)
        if high.sum() >= 3:
            floors.append(float(np.median(density[high])) * rate_hz / 2)
    if not floors:
        return rounding
    return float(np.percentile(floors, 25))
