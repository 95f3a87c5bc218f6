"""Words for what cannot be believed: steps in time and contradictions between sensors."""

from __future__ import annotations

from typing import Final

from sailanalysis.calibrate.contradictions import Contradiction, Doubt
from sailanalysis.calibrate.steps import Step
from sailanalysis.report.page.words import amount, clock, count, interval, known, zone

WITHHELD: Final = (" Nothing that rests on the wind sensors is told; the wind's direction is the "
                   "track's, as far as that tells.")
SENSORS: Final = {
    "stw_kn": "boat-speed sensor", "hdg_deg": "compass", "hdg_mag_deg": "compass",
    "awa_deg": "wind vane", "aws_kn": "anemometer", "heel_deg": "heel sensor", "sog_kn": "GPS",
}


def step_words(step: Step, as_logged: bool = False) -> str:
    """A sensor that read otherwise for a time."""
    sensor = SENSORS[step.channel]
    when = f"from {clock(step.start_s, False)} to {clock(step.end_s, False)} {zone()}"
    if not known(step.size):
        return (f"The {sensor} stood or crept {when} while the boat went on (weed, or a wheel that "
                f"sticks): its readings of that time {_done(step, as_logged)}.")
    if step.channel == "stw_kn":
        error = 100.0 * (1.0 / step.size - 1.0)
        ends = sorted(abs(100.0 * (1.0 / x - 1.0)) for x in (step.low, step.high) if x > 0)
        size = interval(abs(error), ends[0], ends[-1], "%", 0) if len(ends) == 2 else amount(
            abs(error), "%", 0)
        what = f"read {size} {'low' if error < 0 else 'high'} {when} (weed is the usual cause)"
    else:
        low, high = sorted((abs(step.low), abs(step.high)))
        side = "starboard" if step.size < 0 else "port"
        turned = {"awa_deg": f"too far to {side}", "hdg_deg": "too "
                  + ("high" if step.size < 0 else "low")}[step.channel]
        what = f"read {interval(abs(step.size), low, high, '°', 0)} {turned} {when}"
    return f"The {sensor} {what}: its readings of that time {_done(step, as_logged)}."


def _done(step: Step, as_logged: bool) -> str:
    if as_logged:
        return "stand as logged"
    return "are mended by that much" if step.mended else "are left out"


def doubt_words(doubt: Doubt) -> str:
    """Two things that cannot both be true, and the likeliest culprit."""
    sensor = SENSORS.get(doubt.culprit, "")
    size = abs(doubt.size)
    if doubt.kind is Contradiction.WIND_BY_TACK:
        text = (f"The true wind jumps by {amount(size, '°', 0)} at every tack, always the same way "
                f"({count(doubt.count, 'tack')}): a wind sensor that reads wrong, most likely the "
                f"{sensor}.")
        return text + (WITHHELD if doubt.withheld else "")
    if doubt.kind is Contradiction.VANE_MIRRORED:
        return (f"The true wind jumps by {amount(size, '°', 0)} whenever she turns "
                f"({count(doubt.count, 'turn')}), and stands still with the vane's angle to the "
                "other side: the wind vane is wired or set up the wrong way round. Its angles are "
                "mirrored here.")
    if doubt.kind is Contradiction.WIND_BY_TRACK:
        return (f"The true wind stands {amount(size, '°', 0)} from where the track's "
                f"{count(doubt.count, 'tack or gybe', 'tacks and gybes')} put it: the wind vane "
                f"reads about that much too far to {'port' if doubt.size < 0 else 'starboard'}, "
                "or is set up wrongly." + WITHHELD)
    if doubt.kind is Contradiction.LEANS_TO_WINDWARD:
        return (f"By her sensors the boat leaned to windward {size:.0f} % of the time: the "
                f"{sensor} is most likely mounted the wrong way round. Heel is left out.")
    if doubt.kind is Contradiction.DRIFT_BY_HEADING:
        what = (f"boat speed {size:.0f} % {'low' if doubt.size > 0 else 'high'}"
                if doubt.culprit == "stw_kn" else f"a heading {size:.0f}° off")
        return ("The current shown turns with the bow, which no stream does; it looks like "
                f"{what}. The likeliest culprit is the {sensor}; set and drift are not told.")
    if doubt.kind is Contradiction.FAR_OFF:
        unit = " %" if doubt.culprit.endswith("_kn") else "°"
        way = ("high" if doubt.size > 0 else "low") if unit == " %" or sensor == "compass" else (
            f"far to {'starboard' if doubt.size > 0 else 'port'}")
        return (f"The {sensor} reads {size:.0f}{unit} too {way} all day, more than a calibration "
                "puts right: look at its mounting and set-up. The numbers are corrected for it.")
    unit = " %" if doubt.culprit.endswith("_kn") else "°"
    return (f"Two sources of the {sensor} differ by {size:.0f}{unit} "
            f"({count(doubt.count, 'minute')} compared): {' and '.join(doubt.sources)}. One of "
            "them is wrong; the first is used.")
