"""CSV headers as people write them: which channel a column is, and in which unit.

A header is read as words. Trailing words and bracketed ones may be units (``kn``, ``m/s``,
``rad``) or say true or magnetic; what remains is looked up in ``SYNONYMS``. A word that is
neither leaves the column unknown: it is reported, never guessed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, Literal

from sailanalysis.core.channels import CHANNELS
from sailanalysis.core.units import FATHOM_M, FOOT_M, KMH_TO_KN, MPH_TO_KN, MS_TO_KN
from sailanalysis.read.written.boatfile import LOGGED_AS, logged_channel, mapped_channel

Role = Literal["channel", "time", "date", "text", "known"]
"""``known``: a column the program writes itself or that is no measurement; not used, not odd."""

MAX_NAME: Final = 100
"""Nobody writes a longer name; patterns are not tried on longer cells."""


@dataclass(frozen=True)
class Column:
    """What one column is.

    Attributes
    ----------
    role : str
    name : str
        Channel name, crew-log item (``text``), or for ``time`` the unit a header states (``s``,
        ``ms``, ``us``, ``min``, ``h``, ``day`` or nothing).
    scale, shift : float
        House value = ``scale * (logged + shift)``.
    assumed : str
        What had to be assumed, for a finding; empty where the header says it all.
    utc : bool
        For ``time``: the header says UTC.
    elapsed : bool
        For ``time``: the header says it counts from the start.
    unit_named : bool
        For a channel: the header, the boat file or the channel's own name says the unit.
    """

    role: Role
    name: str
    scale: float = 1.0
    shift: float = 0.0
    assumed: str = ""
    utc: bool = False
    elapsed: bool = False
    unit_named: bool = False


def _words_of(text: str) -> frozenset[str]:
    return frozenset(text.split())


_RAD_DEG: Final = 57.29577951308232
# Written form -> (factor, shift) into the house unit, by what a channel measures.
_UNITS: Final[dict[str, dict[str, tuple[float, float]]]] = {
    "kn": {"kn": (1, 0), "kt": (1, 0), "kts": (1, 0), "knot": (1, 0), "knots": (1, 0),
           "kns": (1, 0), "m/s": (MS_TO_KN, 0), "ms": (MS_TO_KN, 0), "mps": (MS_TO_KN, 0),
           "m/sec": (MS_TO_KN, 0), "ms-1": (MS_TO_KN, 0), "km/h": (KMH_TO_KN, 0),
           "kmh": (KMH_TO_KN, 0), "kph": (KMH_TO_KN, 0), "kmph": (KMH_TO_KN, 0),
           "mph": (MPH_TO_KN, 0), "mi/h": (MPH_TO_KN, 0), "nm/h": (1, 0)},
    "deg": {"deg": (1, 0), "degs": (1, 0), "degree": (1, 0), "degrees": (1, 0), "°": (1, 0),
            "dd": (1, 0), "rad": (_RAD_DEG, 0), "rads": (_RAD_DEG, 0),
            "radian": (_RAD_DEG, 0), "radians": (_RAD_DEG, 0)},
    "deg/s": {"deg/s": (1, 0), "degs": (1, 0), "°/s": (1, 0), "deg/sec": (1, 0), "dps": (1, 0),
              "deg/min": (1 / 60, 0), "°/min": (1 / 60, 0), "rad/s": (_RAD_DEG, 0),
              "rads": (_RAD_DEG, 0), "rad/min": (_RAD_DEG / 60, 0)},
    "m": {"m": (1, 0), "metre": (1, 0), "metres": (1, 0), "meter": (1, 0), "meters": (1, 0),
          "ft": (FOOT_M, 0), "foot": (FOOT_M, 0), "feet": (FOOT_M, 0), "fm": (FATHOM_M, 0),
          "fathom": (FATHOM_M, 0), "fathoms": (FATHOM_M, 0), "cm": (0.01, 0)},
    "degC": {"c": (1, 0), "°c": (1, 0), "degc": (1, 0), "celsius": (1, 0), "k": (1, -273.15),
             "kelvin": (1, -273.15), "f": (5 / 9, -32), "°f": (5 / 9, -32),
             "degf": (5 / 9, -32), "fahrenheit": (5 / 9, -32)},
    "hPa": {"hpa": (1, 0), "mbar": (1, 0), "mb": (1, 0), "millibar": (1, 0), "bar": (1000, 0),
            "pa": (0.01, 0), "kpa": (10, 0), "inhg": (33.8638866667, 0),
            "mmhg": (1.33322387415, 0)},
    "rpm": {"rpm": (1, 0), "r/min": (1, 0), "1/min": (1, 0), "hz": (60, 0), "rps": (60, 0)},
    "NM": {"nm": (1, 0), "nmi": (1, 0), "m": (1 / 1852, 0), "km": (1 / 1.852, 0),
           "mi": (1609.344 / 1852, 0)},
    "": {"%": (0.01, 0), "percent": (0.01, 0), "ratio": (1, 0)},
}
_TIME_UNITS: Final = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s", "ms": "ms", "msec": "ms",
    "millis": "ms", "milliseconds": "ms", "us": "us", "µs": "us", "micros": "us",
    "microseconds": "us", "ns": "ns", "nanoseconds": "ns", "min": "min", "minutes": "min",
    "h": "h", "hours": "h", "days": "day",
}
_MAGNETIC: Final = frozenset(("m", "°m", "mag", "magn", "magnetic", "degm"))
_TRUE: Final = frozenset(("t", "°t", "true", "degt"))
_NEUTRAL: Final = _words_of("1 2 3 4 raw sensor gps gnss value avg average mean filtered smoothed "
                            "damped logged instrument")
"""Words that change neither channel nor unit."""
_MAGNETIC_CHANNEL: Final = {"hdg_deg": "hdg_mag_deg", "cog_deg": "cog_mag_deg",
                            "twd_logged_deg": "twd_mag_logged_deg"}

SYNONYMS: Final[dict[str, str]] = {
    name: channel for channel, names in {
        "lat": "lat latitude gpslat gpslatitude poslat positionlatitude latdd",
        "lon": "lon long lng longitude gpslon gpslong gpslongitude poslon positionlongitude londd",
        "sog_kn": "sog speedoverground groundspeed gpsspeed speedgps gpssog speedog sogspeed",
        "cog_deg": "cog courseoverground course groundcourse gpscourse gpscog track tracktrue "
                   "coursetrue cogt truecourse cogtrue courseog coursegps",
        "cog_mag_deg": "cogm cogmag cogmagnetic coursemagnetic",
        "stw_kn": "stw bsp bspd btspd boatspeed boatspd waterspeed speedthroughwater "
                  "speedthroughthewater speedthruwater speedwater vesselspeed logspeed bs vs "
                  "hullspeed boatspeedwater waterspd paddlewheel stwspeed",
        "hdg_deg": "hdg hdgt hdgtrue heading headingtrue trueheading headingt thdg hdt "
                   "vesselheading boatheading",
        "hdg_mag_deg": "hdgm hdgmag hdgmagnetic headingmagnetic magneticheading headingm "
                       "headingmag magheading compass compassheading hdm mhdg "
                       "headingcompass magneticcompass",
        "variation_deg": "variation magvar var magneticvariation declination magvariation",
        "awa_deg": "awa apparentwindangle appwindangle aparentwindangle windangleapparent "
                   "apparentangle appangle appwindang relativewindangle relwindangle aw_angle "
                   "awangle windangleapp apparentwinda appwa",
        "aws_kn": "aws apparentwindspeed appwindspeed windspeedapparent apparentspeed appspeed "
                  "appwindspd relativewindspeed relwindspeed awspeed awspd windspeedapp appws",
        "twa_logged_deg": "twa truewindangle windangletrue trueangle trueang twangle truewa "
                          "truewindang windangletruewater",
        "tws_logged_kn": "tws truewindspeed windspeedtrue truewindspd twspeed twspd truews "
                         "windspeedtruewater",
        "twd_logged_deg": "twd truewinddirection winddirectiontrue twdir twdirection truewinddir "
                          "winddirtrue winddirection winddir windfrom",
        "twd_mag_logged_deg": "twdm twdmag winddirectionmagnetic truewinddirectionmagnetic twdm",
        "gws_logged_kn": "gws groundwindspeed windspeedground windspeedoverground",
        "gwd_logged_deg": "gwd groundwinddirection winddirectionground",
        "rudder_deg": "rudder rudderangle rudderposition rudderpos rud rudang rudderang helmangle "
                      "rsa steeringangle rudder1 rudderstarboard rudderstbd stbdrudder "
                      "starboardrudder rudderangle1",
        "rudder2_deg": "rudder2 rudderport portrudder rudderangle2",
        "heel_deg": "heel heelangle roll rollangle list",
        "trim_deg": "trim trimangle pitch pitchangle foreaft",
        "rate_of_turn_deg_s": "rot rateofturn turnrate yawrate rateturn rot",
        "leeway_logged_deg": "leeway leewayangle lwy",
        "set_logged_deg": "set currentset currentdirection currentdir setdirection tidedirection "
                          "tideset currset",
        "drift_logged_kn": "drift currentdrift currentspeed currentrate tidespeed driftspeed "
                           "tiderate currspeed",
        "depth_m": "depth depthbelowsurface waterdepth dpt depthbelowtransducer dbt depthwater",
        "engine_rpm": "enginerpm rpm engine enginespeed enginerevs enginerevolutions revs "
                      "engine1rpm rpm1 portenginerpm starboardenginerpm",
        "heave_m": "heave",
        "water_temp_c": "watertemp watertemperature seatemp seatemperature wtemp sst",
        "air_temp_c": "airtemp airtemperature outsidetemp outsidetemperature atemp",
        "pressure_hpa": "pressure baro barometer airpressure barometricpressure atmpressure "
                        "atmosphericpressure barometerpressure",
        "log_nm": "log totallog distancelog logdistance logtotal waterlog",
        "autopilot": "autopilot ap pilot pilotengaged autopilotengaged apengaged pilotstate",
    }.items() for name in names.split()
}
"""Header without spaces, units and signs -> channel."""

_TIME: Final = _words_of(
    "time utc timestamp datetime utctime timeutc gpstime timegps gpsutc dateandtime date_time "
    "datetimeutc utcdatetime timestamputc epoch unixtime unix unixtimestamp unixepoch epochtime "
    "clock localtime timelocal ts isotime timeiso gmt timegmt gmttime recordedat "
    "timeofday logtime systemtime datetimestamp isodatetime excel exceltime timestampiso "
    "epochtimestamp timeepoch hhmmss stime rectime gpsdatetime")
_ELAPSED: Final = _words_of(
    "elapsed elapsedtime timeelapsed t seconds sec secs relativetime reltime timesincestart "
    "secondssincestart elapsedseconds elapseds millis milliseconds")
_DATE: Final = _words_of("date utcdate dateutc gpsdate day localdate logdate dategps datelocal "
                         "yyyymmdd ddmmyy ddmmyyyy")
_TEXT: Final = {"helm": "helm", "helmsman": "helm", "helmsperson": "helm", "steering": "helm",
                "driver": "helm", "sails": "sails", "sail": "sails", "sailset": "sails",
                "boards": "boards", "board": "boards", "note": "note", "notes": "note",
                "comment": "note", "comments": "note"}
_KNOWN: Final = _words_of(
    "state vmgkn vmg loadkg satellites sats numsats sv hdop pdop vdop fix fixquality quality index "
    "row no number id mode altitude alt ele elevation valid status rateofclimb twaside")
_TIME_WORD: Final = re.compile(
    r"local|iso|iso8601|epoch|unix|gps|since|1970|of|day|zone|excel|tz|[ymdhs:./-]+(\.[fs]+)?")
# Measured, but which of two: settled by the company a column keeps.
_LOOSE: Final = {"speed": "speed", "spd": "speed", "windspeed": "wind speed",
                 "windspd": "wind speed", "windangle": "wind angle", "windang": "wind angle",
                 "wind": "wind speed"}


def read_header(cells: list[str], mapping: Mapping[str, str],
                units: list[str] | None = None) -> list[Column | None]:
    """What every column of a header is; None where nobody can say.

    Parameters
    ----------
    cells : list of str
        Header cells as written.
    mapping : mapping of str to str
        Header to channel, from the boat file; goes before everything else.
    units : list of str, optional
        A row of units below the header.

    Returns
    -------
    list of Column or None
        One for each cell.
    """
    wanted = {_plain(header): channel for header, channel in mapping.items()}
    columns: list[Column | None] = []
    for at, cell in enumerate(cells):
        unit = units[at] if units and at < len(units) else ""
        if _plain(cell) in wanted:
            columns.append(_mapped(cell, wanted[_plain(cell)], unit))
        else:
            columns.append(_column(cell, unit))
    return _settle(cells, columns)


def _plain(header: str) -> str:
    return " ".join(header.split()).casefold()


def _mapped(cell: str, channel: str, unit: str) -> Column:
    """A column named in the boat file; a unit in its header still counts."""
    if channel in ("", "time", "date"):
        return Column({"": "known", "time": "time", "date": "date"}[channel], "")  # type: ignore[arg-type]
    channel, said = mapped_channel(channel)
    name = logged_channel(channel) or channel
    if said:
        scale, shift = _unit(name, said) or (1.0, 0.0)
        return Column("channel", name, scale, shift, unit_named=True)
    words, inside = _words(cell[:MAX_NAME])
    last = words[-1:] if len(words) > 1 else []
    for form in [unit.strip().lower()[:MAX_NAME], *inside, *last]:
        found = _unit(name, form)
        if found:
            return Column("channel", name, *found, unit_named=True)
    return Column("channel", name, unit_named=True)


@lru_cache(maxsize=4096)
def _column(cell: str, unit: str) -> Column | None:
    if len(cell) > MAX_NAME or len(unit) > MAX_NAME:
        return None
    own = logged_channel(cell.strip())
    if own is not None:
        return Column("channel", own, unit_named=True)
    words, inside = _words(cell)
    below = [form for form in re.split(r"[\s\[\]()]+", unit.strip().lower()) if form]
    for kept in range(len(words), 0, -1):
        base = "".join(words[:kept])
        column = _resolve(base, [*words[kept:], *inside, *below])
        if column is not None:
            return column
    if inside and not words:
        return _resolve("".join(inside), below)
    return None


def _words(cell: str) -> tuple[list[str], list[str]]:
    """Lower-case words of a header, and the words found in brackets."""
    text = cell.strip()
    inside: list[str] = []
    for found in re.findall(r"[\[({<]([^\])}>]*)[\])}>]", text):
        inside += [word for word in re.split(r"[\s,;]+", found.strip().lower()) if word]
    text = re.sub(r"[\[({<][^\])}>]*[\])}>]?", " ", text)
    text = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text).lower()
    # Units with a slash stay whole; every other mark separates words.
    text = re.sub(r"\b(m|km|deg|rad|r|mi|°)\s*/\s*(s|sec|h|min)\b", r" \1\\\2 ", text)
    text = re.sub(r"°\s*([cfmt]?)(?![a-z])", r" °\1 ", text)
    words = re.split(r"[^a-z0-9°%µ\\]+", text)
    return [word.replace("\\", "/") for word in words if word], inside


def _time(base: str, extras: list[str]) -> Column | None:
    """A column of times; None where a word beside it says something else."""
    unit, utc = "", "utc" in base or "gmt" in base
    elapsed = base in _ELAPSED
    if base in ("millis", "milliseconds"):
        unit = "ms"
    for word in extras:
        if word in ("utc", "gmt", "z"):
            utc = True
        elif word in _TIME_UNITS:
            unit = _TIME_UNITS[word]
        elif word in ("elapsed", "rel", "relative"):
            elapsed = True
        elif not _TIME_WORD.fullmatch(word):
            return None
    return Column("time", unit, utc=utc, elapsed=elapsed)


def _date(base: str, extras: list[str]) -> Column | None:
    """A column of dates."""
    ok = all(re.fullmatch(r"utc|gmt|local|gps|[ymd./-]+", word) for word in extras)
    return Column("date", "", utc="utc" in base or "utc" in extras) if ok else None


def _channel_of(base: str) -> str | None:
    """The channel a name means; a leading ``?`` where the columns beside it decide."""
    if base in _LOOSE:
        return "?" + _LOOSE[base]
    if base.startswith("tank") and len(base) > 4 and base not in SYNONYMS:
        return "tank:" + base[4:].removesuffix("level")
    return SYNONYMS.get(base)


def _resolve(base: str, extras: list[str]) -> Column | None:
    """The column called ``base``, if every extra word is a unit or a qualifier of it."""
    if base in _TIME or base in _ELAPSED:
        return _time(base, extras)
    if base in _DATE:
        return _date(base, extras)
    if base in _TEXT and not extras:
        return Column("text", _TEXT[base])
    channel = _channel_of(base)
    if channel is not None:
        return _with_units(channel, extras)
    return Column("known", "") if base in _KNOWN else None


def _with_units(channel: str, extras: list[str]) -> Column | None:
    scale, shift, named = 1.0, 0.0, False
    bearing = channel in _MAGNETIC_CHANNEL
    said = channel in _MAGNETIC_CHANNEL.values()
    for word in extras:
        # In a heading's brackets M is magnetic; in a depth's it is metres.
        if word in _MAGNETIC and (bearing or said):
            channel, bearing, said = _MAGNETIC_CHANNEL.get(channel, channel), False, True
        elif word in _TRUE and bearing:
            said = True
        elif word in _NEUTRAL:
            continue
        else:
            found = _unit(channel, word)
            if found is None:
                return None
            (scale, shift), named = found, True
    return Column("channel", channel, scale, shift, unit_named=named)


def understands(channel: str, unit: str) -> bool:
    """Whether a unit can be turned into that of a channel: ``("stw_kn", "km/h")``."""
    return _unit(logged_channel(channel) or channel, unit.strip().lower()) is not None


def _unit(channel: str, form: str) -> tuple[float, float] | None:
    if channel.startswith("?"):
        measured = "deg" if channel.endswith("angle") else "kn"
    elif channel.startswith("tank:"):
        measured = ""
    else:
        measured = CHANNELS[channel].unit
    return _UNITS.get(measured, {}).get(form)


def _heading(cell: str, column: Column, names: set[str]) -> Column:
    """A heading that does not say true or magnetic."""
    if "variation_deg" in names and "hdg_mag_deg" not in names:
        return replace(column, name="hdg_mag_deg", assumed=
                       f"{cell.strip()!r} is taken as magnetic, as the log also has a variation")
    return replace(column, assumed=
                   f"{cell.strip()!r} does not say true or magnetic and is taken as true; write "
                   f"'{cell.strip()} (M)' if it is magnetic")


def _settle(cells: list[str], columns: list[Column | None]) -> list[Column | None]:
    """Give loose names a meaning from the columns beside them, and say so."""
    names = {column.name for column in columns if column is not None}
    settled: list[Column | None] = []
    for cell, column in zip(cells, columns, strict=True):
        if column is not None and column.name.startswith("?"):
            settled.append(_loose(cell, column, names))
        elif column is not None and column.name == "hdg_deg" and not _says_true(cell):
            settled.append(_heading(cell, column, names))
        else:
            settled.append(column)
    return settled


def _says_true(cell: str) -> bool:
    words, inside = _words(cell)
    return cell.strip() == "hdg_deg" or any(
        word in _TRUE or word in ("hdt", "hdgt", "thdg", "headingt") for word in words + inside)


def _loose_speed(names: set[str]) -> tuple[str, str]:
    if "lat" in names and "sog_kn" not in names:
        return "sog_kn", "speed over ground, as the log has positions"
    return "stw_kn", "speed through the water"


def _loose_angle(names: set[str]) -> tuple[str, str]:
    if "awa_deg" in names:
        return "twa_logged_deg", "the true wind's, as the apparent one is there too"
    return "awa_deg", "the apparent wind's"


def _loose_wind(names: set[str]) -> tuple[str, str]:
    by_direction = names & {"twd_logged_deg", "twd_mag_logged_deg"} and not (
        names & {"?wind angle", "awa_deg"})
    if "aws_kn" in names or by_direction:
        return "tws_logged_kn", "the true wind's, from the columns beside it"
    return "aws_kn", "the apparent wind's"


def _loose(cell: str, column: Column, names: set[str]) -> Column | None:
    kind = column.name[1:]
    meaning = {"speed": _loose_speed, "wind angle": _loose_angle}.get(kind, _loose_wind)
    name, why = meaning(names)
    if name in names:
        return None
    return replace(column, name=name, assumed=f"{cell.strip()!r} is taken as {why}")


assert set(SYNONYMS.values()) <= set(CHANNELS), "a synonym leads to no channel"
assert set(LOGGED_AS.values()) <= set(CHANNELS), "a logged name leads to no channel"
