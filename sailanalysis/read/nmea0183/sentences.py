"""NMEA 0183 sentences: which fields matter and what they mean, as one table.

Layouts follow IEC 61162-1; fields are numbered as there, the first after the address being 1.
Both the fast and the plain reader hand over the same raw columns (numbers and single letters by
field), so a sentence has one meaning, written once, here. Empty fields are NaN, never zero.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from sailanalysis.core.angles import arctan2d, wrap180
from sailanalysis.core.units import FATHOM_M, FOOT_M, KMH_TO_KN, MS_TO_KN

Floats = NDArray[np.float64]
Letters = NDArray[np.uint8]
Positions = NDArray[np.int64]

_SPEED_KN: Final = {ord("N"): 1.0, ord("K"): KMH_TO_KN, ord("M"): MS_TO_KN,
                    ord("S"): 1609.344 / 1852.0}


@dataclass
class Columns:
    """The wanted fields of every sentence of one talker and type, in order of arrival.

    Attributes
    ----------
    position : ndarray, shape (n,)
        Byte position of the sentence in the (decompressed) file: the clock's raw material.
    fields : ndarray of uint8, shape (n,)
        Number of fields after the address.
    number, letter : dict of int to ndarray, shape (n,)
        By field; a missing number is NaN, a missing letter 0.
    """

    position: Positions
    fields: Letters
    number: dict[int, Floats]
    letter: dict[int, Letters]

    def take(self, rows: NDArray[Any]) -> Columns:
        """Some of the sentences."""
        return Columns(self.position[rows], self.fields[rows],
                       {f: v[rows] for f, v in self.number.items()},
                       {f: v[rows] for f, v in self.letter.items()})


@dataclass
class Decoded:
    """Channels of one group; ``implausible`` counts values outside what the field can hold."""

    channels: dict[str, Floats] = field(default_factory=dict)
    implausible: int = 0

    def add(self, channel: str, value: Floats, low: float = -np.inf, high: float = np.inf) -> None:
        """Keep a channel unless it never has a value; values outside [low, high] are missing."""
        known = np.isfinite(value)
        out = known & ~((value >= low) & (value <= high))
        if out.any():
            self.implausible += int(out.sum())
            value = np.where(out, np.nan, value)
        if np.isfinite(value).any():
            self.channels[channel] = value

    def bearing(self, channel: str, value: Floats) -> None:
        """Keep a bearing of 0 to 360; 360 becomes 0."""
        self.add(channel, np.where(value == 360.0, 0.0, value), 0.0, 360.0)


Decode = Callable[[Columns], Decoded]


@dataclass(frozen=True)
class Sentence:
    """One sentence type: the fields to convert and the function that gives them meaning.

    ``complete`` is the number of fields of the shortest complete form and ``units`` the letters
    it must then show ("_" where empty will do); a sentence without a checksum is taken only when
    it shows them, so that a line cut short is not mistaken for a whole one.
    """

    numbers: tuple[int, ...]
    letters: tuple[int, ...]
    complete: int
    units: dict[int, str]
    decode: Decode


def _is(letter: Letters, *wanted: str) -> NDArray[np.bool_]:
    out = letter == ord(wanted[0])
    for other in wanted[1:]:
        out |= letter == ord(other)
    return np.asarray(out, dtype=bool)


def _first(*values: Floats) -> Floats:
    """The first known of several forms of one quantity, sample by sample."""
    out = values[0]
    for value in values[1:]:
        out = np.where(np.isnan(out), value, out)
    return out


def _signed(value: Floats, letter: Letters, plus: str, minus: str) -> Floats:
    """Apply a hemisphere or side letter; without its letter the value is missing."""
    sign = np.where(_is(letter, plus), 1.0, np.where(_is(letter, minus), -1.0, np.nan))
    return value * sign


def _degrees(dddmm: Floats, letter: Letters, plus: str, minus: str) -> Floats:
    """Degrees from ``dddmm.mmmm``; minutes of 60 or more are no position."""
    whole = np.floor(dddmm / 100.0)
    minutes = dddmm - 100.0 * whole
    minutes = np.where(minutes < 60.0, minutes, np.nan)
    return _signed(whole + minutes / 60.0, letter, plus, minus)


def _position(out: Decoded, c: Columns, at: int, valid: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Latitude and longitude from four fields at ``at``; returns where the fix is usable."""
    lat = _degrees(c.number[at], c.letter[at + 1], "N", "S")
    lon = _degrees(c.number[at + 2], c.letter[at + 3], "E", "W")
    # Zeros in place of empty fields: receivers without a fix print them.
    null = (lat == 0.0) & (lon == 0.0)
    both = valid & np.isfinite(lat) & np.isfinite(lon) & ~null
    out.add("lat", np.where(both, lat, np.nan), -90.0, 90.0)
    out.add("lon", np.where(both, lon, np.nan), -180.0, 180.0)
    return np.asarray(valid & ~null, dtype=bool)


def fix_is_valid(kind: str, c: Columns) -> NDArray[np.bool_]:
    """Whether each RMC, GGA, GLL or ZDA carries a fix (or, for ZDA, claims a time).

    Parameters
    ----------
    kind : str
    c : Columns

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    if kind == "RMC":
        return _is(c.letter[2], "A") & ~_is(c.letter[12], "N")
    if kind == "GGA":
        return np.asarray(c.number[6] > 0, dtype=bool)
    if kind == "GLL":
        # Before version 2 of the standard GLL ended with the position, without a status.
        return (_is(c.letter[6], "A") | (c.fields < 6)) & ~_is(c.letter[7], "N")
    return np.ones(c.position.shape, dtype=bool)


def _rmc(c: Columns) -> Decoded:
    out = Decoded()
    good = _position(out, c, 3, fix_is_valid("RMC", c))
    out.add("sog_kn", np.where(good, c.number[7], np.nan))
    out.bearing("cog_deg", np.where(good, c.number[8], np.nan))
    out.add("variation_deg", _signed(c.number[10], c.letter[11], "E", "W"), -180.0, 180.0)
    return out


def _gga(c: Columns) -> Decoded:
    out = Decoded()
    _position(out, c, 2, fix_is_valid("GGA", c))
    return out


def _gll(c: Columns) -> Decoded:
    out = Decoded()
    _position(out, c, 1, fix_is_valid("GLL", c))
    return out


def _vtg(c: Columns) -> Decoded:
    out = Decoded()
    # The form before version 2 has four numbers side by side, without letters: true, magnetic,
    # knots, km/h.
    old = c.fields == 4
    fixed = ~_is(c.letter[9], "N")
    speed = np.where(old, c.number[3], _first(c.number[5], c.number[7] * KMH_TO_KN))
    out.bearing("cog_deg", np.where(fixed, c.number[1], np.nan))
    out.bearing("cog_mag_deg", np.where(fixed & ~old, c.number[3], np.nan))
    out.add("sog_kn", np.where(fixed, speed, np.nan), 0.0)
    return out


def _nothing(c: Columns) -> Decoded:
    return Decoded()


def _vhw(c: Columns) -> Decoded:
    out = Decoded()
    out.bearing("hdg_deg", c.number[1])
    out.bearing("hdg_mag_deg", c.number[3])
    out.add("stw_kn", _first(c.number[5], c.number[7] * KMH_TO_KN))
    return out


def _hdg(c: Columns) -> Decoded:
    out = Decoded()
    deviation = _signed(c.number[2], c.letter[3], "E", "W")
    sensor = np.where((c.number[1] >= 0) & (c.number[1] <= 360), c.number[1], np.nan)
    out.implausible += int((np.isnan(sensor) & np.isfinite(c.number[1])).sum())
    out.bearing("hdg_mag_deg", np.mod(sensor + np.where(np.isnan(deviation), 0.0, deviation), 360))
    out.add("variation_deg", _signed(c.number[4], c.letter[5], "E", "W"), -180.0, 180.0)
    return out


def _hdm(c: Columns) -> Decoded:
    out = Decoded()
    out.bearing("hdg_mag_deg", c.number[1])
    return out


def _hdt(c: Columns) -> Decoded:
    out = Decoded()
    out.bearing("hdg_deg", c.number[1])
    return out


def _mwv(c: Columns) -> Decoded:
    out = Decoded()
    factor = np.full(c.position.shape, np.nan)
    for letter, kn in _SPEED_KN.items():
        factor[c.letter[4] == letter] = kn
    # Status A is required; the shortest old form ends before it.
    valid = _is(c.letter[5], "A") | (c.fields < 5)
    angle = np.where(valid, c.number[1], np.nan)
    inside = (angle >= -180.0) & (angle <= 360.0)
    out.implausible += int((np.isfinite(angle) & ~inside).sum())
    angle = np.where(inside, wrap180(angle), np.nan)
    speed = np.where(valid, c.number[3] * factor, np.nan)
    for reference, angle_name, speed_name in (("R", "awa_deg", "aws_kn"),
                                              ("T", "twa_logged_deg", "tws_logged_kn")):
        mine = _is(c.letter[2], reference)
        out.add(angle_name, np.where(mine, angle, np.nan))
        out.add(speed_name, np.where(mine, speed, np.nan), 0.0)
    return out


def _mwd(c: Columns) -> Decoded:
    out = Decoded()
    out.bearing("twd_logged_deg", c.number[1])
    out.bearing("twd_mag_logged_deg", c.number[3])
    out.add("tws_logged_kn", _first(c.number[5], c.number[7] * MS_TO_KN), 0.0)
    return out


def _side_wind(c: Columns, angle_name: str, speed_name: str) -> Decoded:
    out = Decoded()
    # 190 R is 170 L: some masthead units count on past the stern.
    out.add(angle_name, wrap180(_signed(c.number[1], c.letter[2], "R", "L")))
    speed = _first(c.number[3], c.number[5] * MS_TO_KN, c.number[7] * KMH_TO_KN)
    out.add(speed_name, speed, 0.0)
    return out


def _vwr(c: Columns) -> Decoded:
    return _side_wind(c, "awa_deg", "aws_kn")


def _vwt(c: Columns) -> Decoded:
    return _side_wind(c, "twa_logged_deg", "tws_logged_kn")


def _rsa(c: Columns) -> Decoded:
    out = Decoded()
    starboard = np.where(_is(c.letter[2], "A"), c.number[1], np.nan)
    port = np.where(_is(c.letter[4], "A"), c.number[3], np.nan)
    # A single sensor may be wired as either; with both, the starboard rudder comes first.
    alone = not np.isfinite(starboard).any()
    out.add("rudder_deg", port if alone else starboard, -180.0, 180.0)
    if not alone:
        out.add("rudder2_deg", port, -180.0, 180.0)
    return out


def _rot(c: Columns) -> Decoded:
    out = Decoded()
    out.add("rate_of_turn_deg_s", np.where(_is(c.letter[2], "A"), c.number[1] / 60.0, np.nan))
    return out


def _dpt(c: Columns) -> Decoded:
    out = Decoded()
    # A positive offset reaches from the transducer up to the water line; a negative one down to
    # the keel, which is not wanted here.
    offset = np.where(c.number[2] > 0, c.number[2], 0.0)
    out.add("depth_m", np.where(c.number[1] > 0, c.number[1] + offset, np.nan))
    return out


def _dbx(c: Columns) -> Decoded:
    out = Decoded()
    metres = _first(c.number[3], c.number[1] * FOOT_M, c.number[5] * FATHOM_M)
    out.add("depth_m", np.where(metres > 0, metres, np.nan))
    return out


def _rpm(c: Columns) -> Decoded:
    out = Decoded()
    valid = ~_is(c.letter[5], "V")
    # A shaft is not the engine: it may freewheel under sail.
    engine = _is(c.letter[1], "E")
    out.add("engine_rpm", np.where(valid & engine, np.abs(c.number[3]), np.nan))
    return out


def _vdr(c: Columns) -> Decoded:
    out = Decoded()
    out.bearing("set_logged_deg", c.number[1])
    out.add("drift_logged_kn", c.number[5], 0.0)
    return out


def _mtw(c: Columns) -> Decoded:
    out = Decoded()
    out.add("water_temp_c", np.where(_is(c.letter[2], "F"), (c.number[1] - 32.0) / 1.8,
                                     c.number[1]))
    return out


def _mta(c: Columns) -> Decoded:
    out = Decoded()
    out.add("air_temp_c", c.number[1])
    return out


def _mda(c: Columns) -> Decoded:
    out = Decoded()
    out.add("pressure_hpa", c.number[3] * 1000.0)
    out.add("air_temp_c", c.number[5])
    out.add("water_temp_c", c.number[7])
    return out


def _vlw(c: Columns) -> Decoded:
    out = Decoded()
    out.add("log_nm", c.number[1], 0.0)
    return out


def _vbw(c: Columns) -> Decoded:
    out = Decoded()
    through = _is(c.letter[3], "A")
    ahead, abeam = np.where(through, c.number[1], np.nan), np.where(through, c.number[2], np.nan)
    out.add("stw_kn", ahead)
    # Leeway only while she moves: at rest the ratio of two noises is no angle.
    out.add("leeway_logged_deg", np.where(ahead > 1.0, arctan2d(abeam, ahead), np.nan))
    over = _is(c.letter[6], "A")
    across = np.where(np.isnan(c.number[5]), 0.0, c.number[5])
    out.add("sog_kn", np.where(over, np.hypot(c.number[4], across), np.nan))
    return out


TYPES: Final[dict[str, Sentence]] = {
    "RMC": Sentence((1, 3, 5, 7, 8, 9, 10), (2, 4, 6, 11, 12), 11, {2: "AV", 11: "EW_"}, _rmc),
    "GGA": Sentence((1, 2, 4, 6), (3, 5), 14, {3: "NS_", 5: "EW_"}, _gga),
    "GLL": Sentence((1, 3, 5), (2, 4, 6, 7), 6, {6: "AV"}, _gll),
    "VTG": Sentence((1, 3, 5, 7), (9,), 8, {2: "T", 8: "K"}, _vtg),
    "ZDA": Sentence((1, 2, 3, 4), (), 6, {}, _nothing),
    "VHW": Sentence((1, 3, 5, 7), (), 8, {8: "K_"}, _vhw),
    "HDG": Sentence((1, 2, 4), (3, 5), 5, {3: "EW_", 5: "EW_"}, _hdg),
    "HDM": Sentence((1,), (), 2, {2: "M"}, _hdm),
    "HDT": Sentence((1,), (), 2, {2: "T"}, _hdt),
    "MWV": Sentence((1, 3), (2, 4, 5), 5, {2: "RT", 5: "AV"}, _mwv),
    "MWD": Sentence((1, 3, 5, 7), (), 8, {8: "M_"}, _mwd),
    "VWR": Sentence((1, 3, 5, 7), (2,), 8, {2: "LR_", 8: "K_"}, _vwr),
    "VWT": Sentence((1, 3, 5, 7), (2,), 8, {2: "LR_", 8: "K_"}, _vwt),
    "RSA": Sentence((1, 3), (2, 4), 4, {2: "AV", 4: "AV_"}, _rsa),
    "ROT": Sentence((1,), (2,), 2, {2: "AV"}, _rot),
    "DPT": Sentence((1, 2), (), 2, {}, _dpt),
    "DBT": Sentence((1, 3, 5), (), 6, {6: "F_"}, _dbx),
    "DBS": Sentence((1, 3, 5), (), 6, {6: "F_"}, _dbx),
    "DBK": Sentence((1, 3, 5), (), 6, {6: "F_"}, _dbx),
    "RPM": Sentence((2, 3), (1, 5), 5, {1: "SE", 5: "AV"}, _rpm),
    "VDR": Sentence((1, 5), (), 6, {6: "N_"}, _vdr),
    "MTW": Sentence((1,), (2,), 2, {2: "CF"}, _mtw),
    "MTA": Sentence((1,), (), 2, {2: "C"}, _mta),
    "MDA": Sentence((3, 5, 7), (), 8, {4: "B_", 6: "C_", 8: "C_"}, _mda),
    "VLW": Sentence((1,), (), 4, {4: "N_"}, _vlw),
    "VBW": Sentence((1, 2, 4, 5), (3, 6), 6, {6: "AV"}, _vbw),
}
"""Sentence types that are read; ``XDR`` has its own module, all others are counted as ignored."""

TIMED: Final = ("RMC", "ZDA", "GGA", "GLL")
"""Sentences that carry the time, and the field it stands in."""
TIME_FIELD: Final = {"RMC": 1, "ZDA": 1, "GGA": 1, "GLL": 5}
