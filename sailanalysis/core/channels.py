"""The one table of channels: name, unit, kind, plausible range, meaning.

Readers, conditioning, axis labels and the docs all read it. A channel that a log gives but that
the program derives itself (true wind, set and drift, leeway) is kept apart under a name with
``logged``, so that measured and derived values are never mixed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Kind = Literal["continuous", "bearing", "angle", "step", "text"]


@dataclass(frozen=True)
class Channel:
    """One quantity.

    Attributes
    ----------
    name : str
        Column name; the unit stands in it.
    unit : str
        As printed on an axis.
    kind : {"continuous", "bearing", "angle", "step", "text"}
        ``bearing`` lives in [0, 360), ``angle`` in (-180, 180]; both interpolate on the circle.
        ``step`` and ``text`` hold until the next value.
    low, high : float
        Plausible range, ends included; outside is a sensor fault, not a record.
    meaning : str
        One line, with the sign.
    label : str
        Short name for an axis or a table's head.
    logged : bool
        True where logs can hold it; False where it is only ever derived.
    """

    name: str
    unit: str
    kind: Kind
    low: float
    high: float
    meaning: str
    label: str
    logged: bool = True


def _c(name: str, unit: str, kind: Kind, low: float, high: float, label: str, meaning: str,
       logged: bool = True) -> Channel:
    return Channel(name, unit, kind, low, high, meaning, label, logged)


_ALL: Final = (
    _c("lat", "deg", "continuous", -90, 90, "latitude", "latitude, north positive, WGS84"),
    _c("lon", "deg", "angle", -180, 180, "longitude", "longitude, east positive, WGS84"),
    _c("sog_kn", "kn", "continuous", 0, 60, "speed over ground", "speed over ground"),
    _c("cog_deg", "deg", "bearing", 0, 360, "course over ground", "course over ground, true"),
    _c("cog_mag_deg", "deg", "bearing", 0, 360, "course over ground, magnetic",
       "course over ground, magnetic"),
    _c("stw_kn", "kn", "continuous", -5, 60, "boat speed", "speed through the water, ahead"),
    _c("hdg_deg", "deg", "bearing", 0, 360, "heading", "heading, true"),
    _c("hdg_mag_deg", "deg", "bearing", 0, 360, "heading, magnetic", "heading, magnetic"),
    _c("variation_deg", "deg", "angle", -180, 180, "variation",
       "magnetic variation, east positive"),
    _c("awa_deg", "deg", "angle", -180, 180, "apparent wind angle",
       "apparent wind angle off the bow, starboard positive"),
    _c("aws_kn", "kn", "continuous", 0, 120, "apparent wind speed", "apparent wind speed"),
    _c("twa_deg", "deg", "angle", -180, 180, "true wind angle",
       "true wind angle off the bow over the water, starboard positive", False),
    _c("tws_kn", "kn", "continuous", 0, 120, "true wind speed",
       "true wind speed over the water, at the sensor's height", False),
    _c("twd_deg", "deg", "bearing", 0, 360, "true wind direction",
       "true wind direction, where from, true: heading plus twa_deg", False),
    _c("twa_logged_deg", "deg", "angle", -180, 180, "logged true wind angle",
       "true wind angle as the instruments computed it"),
    _c("tws_logged_kn", "kn", "continuous", 0, 120, "logged true wind speed",
       "true wind speed as the instruments computed it"),
    _c("twd_logged_deg", "deg", "bearing", 0, 360, "logged true wind direction",
       "true wind direction (true north) as the instruments computed it"),
    _c("twd_mag_logged_deg", "deg", "bearing", 0, 360, "logged magnetic wind direction",
       "true wind direction (magnetic north) as the instruments computed it"),
    _c("gws_logged_kn", "kn", "continuous", 0, 120, "logged ground wind speed",
       "wind speed over ground as the instruments computed it"),
    _c("gwd_logged_deg", "deg", "bearing", 0, 360, "logged ground wind direction",
       "wind direction over ground, where from, as the instruments computed it"),
    _c("rudder_deg", "deg", "angle", -90, 90, "rudder", "rudder angle, positive turns the bow to "
       "starboard"),
    _c("rudder2_deg", "deg", "angle", -90, 90, "second rudder",
       "a second rudder's angle, same sign"),
    _c("heel_deg", "deg", "angle", -90, 90, "heel", "heel, starboard side down positive"),
    _c("trim_deg", "deg", "angle", -45, 45, "trim", "trim, bow up positive"),
    _c("rate_of_turn_deg_s", "deg/s", "continuous", -120, 120, "rate of turn",
       "rate of turn, bow to starboard positive"),
    _c("leeway_logged_deg", "deg", "angle", -45, 45, "logged leeway",
       "leeway as the instruments computed it, set to starboard positive"),
    _c("leeway_deg", "deg", "angle", -45, 45, "leeway",
       "course through the water minus heading, set to starboard positive", False),
    _c("set_logged_deg", "deg", "bearing", 0, 360, "logged set",
       "where the current goes to, as the instruments computed it"),
    _c("drift_logged_kn", "kn", "continuous", 0, 20, "logged drift",
       "speed of the current as the instruments computed it"),
    _c("set_deg", "deg", "bearing", 0, 360, "set", "where the current goes to, true", False),
    _c("drift_kn", "kn", "continuous", 0, 20, "drift", "speed of the current", False),
    _c("vmg_kn", "kn", "continuous", -60, 60, "VMG",
       "speed made good through the water towards the wind; downwind negative", False),
    _c("depth_m", "m", "continuous", 0, 12000, "depth",
       "depth of water below the surface where the offset is known, else below the transducer"),
    _c("engine_rpm", "rpm", "continuous", 0, 10000, "engine",
       "engine revolutions, the busiest one"),
    _c("heave_m", "m", "continuous", -30, 30, "heave", "heave, up positive"),
    _c("water_temp_c", "degC", "continuous", -5, 45, "water temperature", "water temperature"),
    _c("air_temp_c", "degC", "continuous", -60, 60, "air temperature", "air temperature"),
    _c("pressure_hpa", "hPa", "continuous", 850, 1100, "air pressure", "air pressure"),
    _c("log_nm", "NM", "continuous", 0, 1e7, "distance log", "total distance through the water"),
    _c("autopilot", "", "step", 0, 1, "autopilot", "1 while the autopilot steers"),
    _c("load_kg", "kg", "continuous", 0, 1e6, "load", "weight above light ship", False),
    _c("helm", "", "text", 0, 0, "helm", "who steers, from the crew log", False),
    _c("sails", "", "text", 0, 0, "sails", "the sail set, from the crew log", False),
    _c("boards", "", "text", 0, 0, "boards", "position of the boards, from the crew log", False),
    _c("state", "", "text", 0, 0, "state", "sailing, motoring or stopped", False),
    _c("sailing_probability", "", "continuous", 0, 1, "probability of sailing",
       "how probable it is that she was under sail alone", False),
    _c("doing", "", "text", 0, 0, "doing", "the finer word for the state: hove-to, adrift, ...",
       False),
)

CHANNELS: Final[dict[str, Channel]] = {channel.name: channel for channel in _ALL}
"""Every channel by name. Tank levels (ratio 0-1) are named ``tank:NAME`` and not listed."""

SAMPLE_COLUMNS: Final = (
    "lat", "lon", "sog_kn", "cog_deg", "stw_kn", "hdg_deg", "awa_deg", "aws_kn", "twa_deg",
    "tws_kn", "twd_deg", "rudder_deg", "heel_deg", "trim_deg", "rate_of_turn_deg_s",
    "leeway_deg", "set_deg", "drift_kn", "vmg_kn", "depth_m", "engine_rpm", "helm", "sails",
    "state",
)
"""Columns of ``samples.parquet`` after ``time``, in order."""


def kind_of(name: str) -> Kind:
    """How a channel interpolates and averages.

    Parameters
    ----------
    name : str
        Any; an unknown one is continuous.

    Returns
    -------
    {"continuous", "bearing", "angle", "step", "text"}
    """
    return CHANNELS[name].kind if name in CHANNELS else "continuous"


def is_circular(name: str) -> bool:
    """Whether a channel interpolates and averages on the circle.

    Parameters
    ----------
    name : str
        Any; an unknown one is not circular.

    Returns
    -------
    bool
    """
    channel = CHANNELS.get(name)
    return channel is not None and channel.kind in ("bearing", "angle")
