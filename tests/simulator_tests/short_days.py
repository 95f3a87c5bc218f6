"""Short days shared by the tests of the generator."""

from functools import cache

from simulator import (
    AUTOPILOT,
    LEARNER,
    SKILLED,
    Action,
    Leg,
    Scenario,
    SeaModel,
    SensorModel,
    SimulatedDay,
    simulate_day,
    turns,
)

CALM = SeaModel(tws_kn=12.0, turbulence=0.0, shift_deg=0.0, wander_deg=0.0, flutter_deg=0.0,
                wave_height_m=0.0, tide_kn=0.0)


def still(helm=SKILLED):
    """A helm without noise or wandering attention."""
    from dataclasses import replace
    return replace(helm, noise_deg=0.0, wander_deg=0.0, bias_deg=0.0)


@cache
def short_day() -> SimulatedDay:
    """Forty minutes with everything in it."""
    legs = (
        Leg("motor", 180, heading_deg=200.0),
        Leg("hoist", 90, actions=(Action("sails", 60, "main+jib"),)),
        Leg("beat", 900, side=1, actions=(
            *turns("tack", (200, 420)), Action("luff", 600, 10.0), Action("failed_tack", 740))),
        Leg("reach", 360, twa_deg=100.0, actions=(Action("helm", 60, "autopilot"),
                                                  Action("circle", 200, 1))),
        Leg("run", 600, sails="main+spinnaker", actions=(
            Action("helm", 10, "learner"), *turns("gybe", (150, 350)))),
        Leg("stop", 120))
    return simulate_day(Scenario(legs=legs, helms=(SKILLED, LEARNER, AUTOPILOT), sails="",
                                 sensors=SensorModel(stw_factor=0.95, awa_offset_deg=2.5,
                                                     heading_offset_deg=-2.0)), 11)
