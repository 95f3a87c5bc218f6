"""What the needed NMEA 2000 messages hold: fields, scales, references, instances.

Field positions and scales are those of the open description of the messages (canboat,
docs/canboat.json, schema 2.5.0); ``tests/published/nmea2000_fields.csv`` has them row by row.
Little-endian; an unsigned field of all ones (a signed one at its largest) is 'not available', one
less is an error, two less reserved: all three are missing values.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import wrap180, wrap360
from sailanalysis.core.model import Floats
from sailanalysis.core.units import MS_TO_KN

Bytes = NDArray[np.uint8]
RAD: Final = 180.0 / np.pi
KELVIN: Final = -273.15
FULL_TURN: Final = 62832
"""Raw value of a whole turn, 2 pi / 1e-4 rad; a larger unsigned angle is no angle."""

TANK_KINDS: Final = ("fuel", "water", "gray water", "live well", "oil", "black water")
FAST: Final = frozenset((127237, 128275, 129029, 130577, 130578))
"""Messages longer than a frame."""


@dataclass(frozen=True)
class Message:
    """Rows of one message from one source: bytes and how many of them are there."""

    payload: Bytes
    length: NDArray[np.uint8]

    def where(self, rows: NDArray[np.bool_]) -> Message:
        """Some of the rows."""
        return Message(self.payload[rows], self.length[rows])


@dataclass(frozen=True)
class Values:
    """A channel's values in a message; ``rows`` says which rows they belong to."""

    channel: str
    value: Floats
    rows: NDArray[np.bool_] | None = None
    label: str = ""
    """Added to the source's name: an instance, or which of several winds."""


def whole(message: Message, bit: int, bits: int, signed: bool = False) -> NDArray[np.int64]:
    """A field as it stands, without any meaning of its codes; absent bytes count as ones.

    Parameters
    ----------
    message : Message
    bit : int
        The first one.
    bits : int
        How many.
    signed : bool

    Returns
    -------
    ndarray of int64, shape (n,)
    """
    first, last = bit // 8, (bit + bits - 1) // 8 + 1
    value = np.zeros(len(message.payload), dtype=np.uint64)
    for place, column in enumerate(range(first, last)):
        value |= message.payload[:, column].astype(np.uint64) << np.uint64(8 * place)
    value >>= np.uint64(bit % 8)
    if bits < 64:
        value &= np.uint64((1 << bits) - 1)
    out = value.view(np.int64)
    if signed and bits < 64:
        out = np.where(out >= 1 << (bits - 1), out - (1 << bits), out)
    return out


def number(message: Message, bit: int, bits: int, scale: float = 1.0,
           signed: bool = False) -> Floats:
    """A field as a number; NaN where not available, in error, reserved or cut off.

    Parameters
    ----------
    message : Message
    bit : int
        The first one.
    bits : int
        How many.
    scale : float
        Unit of the last bit.
    signed : bool

    Returns
    -------
    ndarray, shape (n,)
        NaN where the message says that it is unknown.
    """
    raw = whole(message, bit, bits, signed)
    top = (1 << (bits - 1 if signed else bits)) - 1
    missing = raw > top - 3 if bits < 64 or signed else np.zeros(raw.shape, bool)
    missing |= message.length.astype(np.int64) * 8 < bit + bits
    return np.where(missing, np.nan, raw * scale)


def _bearing(message: Message, bit: int) -> Floats:
    raw = number(message, bit, 16)
    with np.errstate(invalid="ignore"):
        return wrap360(np.where(raw <= FULL_TURN, raw, np.nan) * 1e-4 * RAD)


def _angle(message: Message, bit: int) -> Floats:
    return number(message, bit, 16, 1e-4 * RAD, signed=True)


def _speed(message: Message, bit: int) -> Floats:
    return number(message, bit, 16, 0.01 * MS_TO_KN)


def _autopilot(m: Message) -> Iterator[Values]:
    # Steering mode 3-5: the controller steers; an override hands the wheel back.
    mode = whole(m, 8, 3).astype(float)
    mode[(mode > 5) | (m.length < 2)] = np.nan
    by_hand = whole(m, 6, 2) == 1
    yield Values("autopilot", np.where(np.isnan(mode), np.nan, (mode >= 3) & ~by_hand))


def _rudder(m: Message) -> Iterator[Values]:
    instance = whole(m, 0, 8)
    for number_ in np.unique(instance):
        rows = instance == number_
        # Instances are 0 and 1; other codes (252, 255) come from devices that know one rudder.
        yield Values("rudder2_deg" if number_ == 1 else "rudder_deg",
                     _angle(m.where(rows), 32), rows, str(number_) if number_ < 2 else "")


def _heading(m: Message) -> Iterator[Values]:
    reference = whole(m, 56, 2)
    heading = _bearing(m, 8)
    true, magnetic = reference == 0, reference == 1
    if true.any():
        yield Values("hdg_deg", heading[true], true)
    if magnetic.any():
        # The sensor's reading plus its deviation is the magnetic heading, as in HDG.
        deviation = np.nan_to_num(_angle(m, 24))
        yield Values("hdg_mag_deg", wrap360(heading + deviation)[magnetic], magnetic)
    yield Values("variation_deg", _angle(m, 40))


def _turn(m: Message) -> Iterator[Values]:
    yield Values("rate_of_turn_deg_s", number(m, 8, 32, 3.125e-8 * RAD, signed=True))


def _heave(m: Message) -> Iterator[Values]:
    yield Values("heave_m", number(m, 8, 16, 0.01, signed=True))


def _attitude(m: Message) -> Iterator[Values]:
    yield Values("trim_deg", _angle(m, 24))
    yield Values("heel_deg", _angle(m, 40))


def _variation(m: Message) -> Iterator[Values]:
    yield Values("variation_deg", _angle(m, 32))


def _engine(m: Message) -> Iterator[Values]:
    instance = whole(m, 0, 8)
    for number_ in np.unique(instance):
        rows = instance == number_
        yield Values("engine_rpm", number(m.where(rows), 8, 16, 0.25), rows, str(number_))


def _tank(m: Message) -> Iterator[Values]:
    name = whole(m, 0, 8)
    for code in np.unique(name):
        instance, kind = int(code) & 15, int(code) >> 4
        if kind < len(TANK_KINDS) and instance < 14:
            rows = name == code
            level = number(m.where(rows), 8, 16, 4e-5, signed=True)
            yield Values(f"tank:{TANK_KINDS[kind]} {instance}", level, rows, str(instance))


def _leeway(m: Message) -> Iterator[Values]:
    yield Values("leeway_logged_deg", _angle(m, 8))


def _water_speed(m: Message) -> Iterator[Values]:
    yield Values("stw_kn", _speed(m, 8))


def _water_speed_parts(m: Message) -> Iterator[Values]:
    yield Values("stw_kn", number(m, 0, 16, 0.001 * MS_TO_KN, signed=True))


def _depth(m: Message) -> Iterator[Values]:
    depth, offset = number(m, 8, 32, 0.01), number(m, 40, 16, 0.001, signed=True)
    # A positive offset reaches up to the surface; a negative one down to the keel.
    yield Values("depth_m", depth + np.where(np.nan_to_num(offset) > 0, offset, 0.0))


def _log(m: Message) -> Iterator[Values]:
    yield Values("log_nm", number(m, 48, 32, 1 / 1852.0))


def _position(m: Message) -> Iterator[Values]:
    yield from _place(number(m, 0, 32, 1e-7, True), number(m, 32, 32, 1e-7, True))


def _fix(m: Message) -> Iterator[Values]:
    # Method 0 is no fix; the place then is the last known or none.
    fixed = whole(m, 252, 4) != 0
    for values in _place(number(m, 56, 64, 1e-16, True), number(m, 120, 64, 1e-16, True)):
        yield Values(values.channel, np.where(fixed, values.value, np.nan))


def _place(lat: Floats, lon: Floats) -> Iterator[Values]:
    with np.errstate(invalid="ignore"):
        good = (np.abs(lat) <= 90.0) & (np.abs(lon) <= 180.0)
    yield Values("lat", np.where(good, lat, np.nan))
    yield Values("lon", np.where(good, lon, np.nan))


def _ground_track(m: Message) -> Iterator[Values]:
    reference, course = whole(m, 8, 2), _bearing(m, 16)
    for code, channel in ((0, "cog_deg"), (1, "cog_mag_deg")):
        rows = reference == code
        if rows.any():
            yield Values(channel, course[rows], rows)
    yield Values("sog_kn", _speed(m, 32))


def _current(m: Message) -> Iterator[Values]:
    true = whole(m, 8, 2) == 0
    yield Values("set_logged_deg", _bearing(m, 16)[true], true)
    yield Values("drift_logged_kn", _speed(m, 32))


def _directions(m: Message) -> Iterator[Values]:
    reference = whole(m, 4, 2)
    course, heading = _bearing(m, 16), _bearing(m, 48)
    true, magnetic = reference == 0, reference == 1
    for rows, cog, hdg in ((true, "cog_deg", "hdg_deg"), (magnetic, "cog_mag_deg", "hdg_mag_deg")):
        if rows.any():
            yield Values(cog, course[rows], rows)
            yield Values(hdg, heading[rows], rows)
    if true.any():
        yield Values("set_logged_deg", _bearing(m, 80)[true], true)
    yield Values("sog_kn", _speed(m, 32))
    yield Values("stw_kn", _speed(m, 64))
    yield Values("drift_logged_kn", _speed(m, 96))


_WINDS: Final[dict[int, tuple[str, str, str]]] = {
    0: ("gwd_logged_deg", "gws_logged_kn", ""),
    1: ("", "gws_logged_kn", ""),
    2: ("awa_deg", "aws_kn", ""),
    3: ("twa_logged_deg", "tws_logged_kn", "boat"),
    4: ("twa_logged_deg", "tws_logged_kn", "water"),
}
"""Wind reference -> angle channel, speed channel, label. Reference 3, 'true, boat referenced', is
sent by makers for either true wind; it is kept under its own label beside reference 4."""


def _wind(m: Message) -> Iterator[Values]:
    reference, speed, angle = whole(m, 40, 3), _speed(m, 8), _bearing(m, 24)
    for code, (angle_channel, speed_channel, label) in _WINDS.items():
        rows = reference == code
        if not rows.any():
            continue
        if angle_channel:
            value = angle[rows] if code == 0 else wrap180(angle[rows])
            yield Values(angle_channel, value, rows, label)
        yield Values(speed_channel, speed[rows], rows, label)


def _environment(m: Message) -> Iterator[Values]:
    yield Values("water_temp_c", number(m, 8, 16, 0.01) + KELVIN)
    yield Values("air_temp_c", number(m, 24, 16, 0.01) + KELVIN)
    yield Values("pressure_hpa", number(m, 40, 16))


def _environment_2(m: Message) -> Iterator[Values]:
    yield from _temperature(number(m, 16, 16, 0.01), whole(m, 8, 6), "")
    yield Values("pressure_hpa", number(m, 48, 16))


def _temperature_single(m: Message) -> Iterator[Values]:
    yield from _temperature(number(m, 24, 16, 0.01), whole(m, 16, 8), "")


def _temperature_extended(m: Message) -> Iterator[Values]:
    yield from _temperature(number(m, 24, 24, 0.001), whole(m, 16, 8), "")


def _temperature(kelvin: Floats, kind: NDArray[np.int64], label: str) -> Iterator[Values]:
    for code, channel in ((0, "water_temp_c"), (1, "air_temp_c")):
        rows = kind == code
        if rows.any():
            yield Values(channel, kelvin[rows] + KELVIN, rows, label)


def _air_pressure(m: Message) -> Iterator[Values]:
    atmospheric = whole(m, 16, 8) == 0
    yield Values("pressure_hpa", number(m, 24, 32, 1e-3, signed=True)[atmospheric], atmospheric)


DECODERS: Final[dict[int, Callable[[Message], Iterator[Values]]]] = {
    127237: _autopilot, 127245: _rudder, 127250: _heading, 127251: _turn, 127252: _heave,
    127257: _attitude, 127258: _variation, 127488: _engine, 127505: _tank, 128000: _leeway,
    128259: _water_speed, 128267: _depth, 128275: _log, 129025: _position, 129026: _ground_track,
    129029: _fix, 129291: _current, 130306: _wind, 130310: _environment, 130311: _environment_2,
    130312: _temperature_single, 130314: _air_pressure, 130316: _temperature_extended,
    130577: _directions, 130578: _water_speed_parts,
}
"""Message number -> what it gives."""

CLOCKS: Final[dict[int, tuple[int, int]]] = {129029: (8, 24), 126992: (16, 32), 129033: (0, 16)}
"""Messages that carry UTC, the best first: bits of the date (days) and of the time (1e-4 s)."""

WANTED: Final = frozenset((*DECODERS, *CLOCKS))

LEAST_BYTES: Final[dict[int, int]] = {127237: 2, 128275: 10, 129029: 23, 130577: 6, 130578: 2}
"""A shorter message of these is cut, or a frame of a fast packet taken for a whole one."""


def utc_s(pgn: int, message: Message) -> Floats:
    """Seconds since 1970 of a message that carries UTC; NaN where it does not know.

    Parameters
    ----------
    pgn : int
    message : Message

    Returns
    -------
    ndarray, shape (n,)
    """
    date_bit, time_bit = CLOCKS[pgn]
    days = number(message, date_bit, 16)
    seconds = number(message, time_bit, 32, 1e-4)
    with np.errstate(invalid="ignore"):
        good = (days > 0) & (seconds < 86401.0)
    return np.where(good, days * 86400.0 + seconds, np.nan)


def decode(pgn: int, message: Message) -> Iterator[Values]:
    """Channels of a message, in house units; missing values are NaN.

    Parameters
    ----------
    pgn : int
    message : Message
    """
    decoder: Any = DECODERS.get(pgn)
    if decoder is not None:
        yield from decoder(message)
