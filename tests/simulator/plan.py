"""What the crew means to do: legs, and what happens on them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Side = Literal[-1, 1]


@dataclass(frozen=True)
class Action:
    """One thing done on a leg.

    Attributes
    ----------
    kind : str
        ``tack``, ``gybe``, ``failed_tack``, ``luff``, ``circle``, ``head_up``, ``bear_away``,
        ``helm``, ``sails``, ``trim``, ``note``, ``engine``, ``load``, ``sea``, ``boards``.
    at_s : float
        Seconds after the leg's start.
    value : object
        Helm's name, sail set, trim text, angle of a head up or bear away, note.
    length_s : float
        How long a luff is held.
    quality : float
        1 as the helm usually does; 2 twice as slow and late.
    effect : float
        Trim: factor on the sails' driving force from now on; 1 is as well as she can.
    stall : bool
        The turn is steered too slowly and the boat stops in the wind.
    """

    kind: str
    at_s: float
    value: object = ""
    length_s: float = 12.0
    quality: float = 1.0
    effect: float = 1.0
    stall: bool = False


@dataclass(frozen=True)
class Leg:
    """A stretch of the day.

    Attributes
    ----------
    kind : {"beat", "run", "reach", "course", "motor", "stop", "hoist"}
        ``reach`` holds a wind angle, ``course`` a compass heading under sail, ``hoist`` lies head
        to wind under engine while sails change.
    length_s : float
        Longest it lasts.
    side : {-1, 1}, optional
        Tack: 1 wind from starboard; none keeps the present one.
    twa_deg : float
        Wind angle of a reach.
    heading_deg : float
        Of a course, or under engine.
    rpm : float
        Engine.
    mark_m : tuple of float, optional
        East and north of the start in metres: the leg ends there.
    width_m : float
        Beats and runs to a mark: how far off the line before tacking or gybing.
    actions : tuple of Action
        In any order.
    sails : str, optional
        Sail set from its start.
    """

    kind: str
    length_s: float
    side: Side | None = None
    twa_deg: float = 90.0
    heading_deg: float = 0.0
    rpm: float = 0.0
    mark_m: tuple[float, float] | None = None
    width_m: float = 300.0
    actions: tuple[Action, ...] = ()
    sails: str | None = None


def turns(kind: str, times_s: object, **kwargs: object) -> tuple[Action, ...]:
    """Several tacks or gybes."""
    return tuple(Action(kind, float(at), **kwargs) for at in times_s)  # type: ignore[attr-defined]
