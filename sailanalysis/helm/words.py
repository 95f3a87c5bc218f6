"""What the numbers say to a helm, in a sentence: kind, and never more than they carry."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from sailanalysis.helm.fit import AUTOPILOT

if TYPE_CHECKING:
    from sailanalysis.helm.pictures import Spectrum
    from sailanalysis.helm.response import Response

LONG_LAG_S = 1.0
"""A person's own delay at a wheel is about half a second; twice that can be shortened."""
BUSY_SCORE = 48.0
MUCH_HELM_DEG = 5.0
"""More weather helm than this asks for trim or a reef rather than for steering."""


def who(name: str) -> str:
    """Name for a sentence."""
    return {"": "The helm", AUTOPILOT: "The autopilot"}.get(name, name)


def verdict(row: Any) -> str:
    """Today's score in words, with its interval, against the helm's own usual where known."""
    name = who(row.helm)
    if not np.isfinite(row.smoothness):
        return (f"{name} steered {row.minutes:.0f} minutes on steady legs: too little, or logged "
                "too slowly, for a score.")
    score = (f"{name} steered {row.minutes:.0f} minutes on steady legs, smoothness "
             f"{row.smoothness:.0f} ({row.smoothness_low:.0f} to {row.smoothness_high:.0f})")
    if np.isfinite(row.today_less_usual):
        if row.today_less_usual_low > 0:
            return f"{score}, smoother than their usual {row.usual:.0f}."
        if row.today_less_usual_high < 0:
            return f"{score}, busier than their usual {row.usual:.0f}."
        return f"{score}, in line with their usual {row.usual:.0f}."
    if row.smoothness_low > 50:
        return f"{score}: quieter on the rudder than such conditions usually ask for."
    if row.smoothness_high < 50:
        return f"{score}: busier on the rudder than such conditions usually ask for."
    return f"{score}: about what such conditions ask for, as far as this day can tell."


def compared(row: Any) -> str:
    """Two helms on the same sea, never without the interval."""
    first, second = who(row.helm), who(row.other)
    second = "the autopilot" if row.other == AUTOPILOT else second
    span = f"{row.difference:+.0f} points ({row.low:+.0f} to {row.high:+.0f})"
    if row.words == "no difference shown":
        return f"{first} against {second} in like conditions: {span}, no difference shown."
    return f"{first} was {row.words} than {second} in like conditions: {span}."


def advice(row: Any, response: Response | None, spectrum: Spectrum | None,
           inferred: bool = False) -> str:
    """One thing to try next time, the one the numbers support best."""
    if inferred:
        return ("Without a rudder sensor only the boat's turning is seen, and nothing of how it "
                "was steered. For next time: the same stretch once by hand and once by the "
                "autopilot gives a yardstick.")
    if row.helm == AUTOPILOT:
        return _of_autopilot(response)
    return (_of_timing(row, response) or _of_trim(row) or _of_waves(spectrum)
            or _of_habit(row, response, spectrum)
            or "Nothing in these numbers asks for change: more of the same, and longer.")


def _of_autopilot(response: Response | None) -> str:
    if response is not None and response.over_correction.low > 0.5:
        return ("Try the autopilot a step less sensitive: most of its corrections needed "
                "another the other way.")
    return "The autopilot is the day's yardstick: the same sea, no thinking."


def _of_timing(row: Any, response: Response | None) -> str:
    """Corrections that overshoot, come late, or lead the boat."""
    if response is None:
        return ""
    again, lag = response.over_correction, response.yaw_lag_s
    if again.known and again.low > 0.5:
        return (f"About {round(10 * again.value)} in 10 corrections were followed by one as "
                "large the other way. Try half the movement, then count to three before adding "
                "more.")
    if lag.known and lag.low > LONG_LAG_S:
        return (f"The rudder followed the boat's turning by {lag.value:.1f} s ({lag.low:.1f} "
                f"to {lag.high:.1f}). Try to look further ahead, at the horizon over the bow, "
                "and begin the movement earlier and smaller.")
    if response.yaw_words == "leads" and row.smoothness < BUSY_SCORE:
        return (f"The boat's turning followed the rudder by {-lag.value:.1f} s "
                f"({-lag.high:.1f} to {-lag.low:.1f}): more often the rudder turned her than "
                "answered her. Try holding it still for a count of five and see how straight "
                "she goes by herself.")
    return ""


def _of_trim(row: Any) -> str:
    """Helm that trim should carry."""
    if not abs(row.weather_helm_deg) > MUCH_HELM_DEG:
        return ""
    kind, cure = ("weather", "ease the mainsheet or traveller, or reef")
    if row.weather_helm_deg < 0:
        kind, cure = ("lee", "sheet the mainsail harder")
    return (f"She carried {abs(row.weather_helm_deg):.0f} deg of {kind} helm on average. Try "
            f"to {cure} until the rudder feels light: that is trim's work, not the helm's.")


def _of_waves(spectrum: Spectrum | None) -> str:
    if spectrum is None or not spectrum.wave_share > 0.5:
        return ""
    return (f"{100 * spectrum.wave_share:.0f} % of the rudder's movement answered single "
            "waves, most of which she rides out by herself. Try holding the helm still through "
            "the small ones for a minute at a time and see whether the course suffers.")


def _of_habit(row: Any, response: Response | None, spectrum: Spectrum | None) -> str:
    """What is steered by, wandering, and what to keep."""
    if response is not None and response.steadier == "compass":
        return ("The heading was kept steadier than the wind angle. Upwind and in shifts, try "
                "steering by the telltales and let the compass wander.")
    if spectrum is not None and spectrum.own_share > 0.6 and row.smoothness < BUSY_SCORE:
        return ("Most of the rudder's movement was slower than the waves: small course changes and "
                "their return. Try to pick a mark or a star and let her find the groove with a "
                "lighter hand.")
    if row.smoothness_low > 50:
        return ("Quieter on the rudder than such conditions ask for. Try the same hand in more "
                "wind and sea, and see whether it holds.")
    return ""
