"""People and an autopilot at the wheel: how soon, how much and how evenly they steer."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class HelmModel:
    """One helm.

    Attributes
    ----------
    name : str
        As the crew log writes it.
    gain : float
        Degrees of rudder per degree off the wanted angle.
    rate_gain_s : float
        Degrees of rudder per degree per second of turn, against the turn.
    dead_band_deg : float
        Change of rudder that is not worth a movement.
    delay_s : float
        Time from seeing to moving.
    noise_deg : float
        Needless rudder movement, standard deviation, time scale 1.5 s.
    wander_deg : float
        Drift of attention about the wanted angle, standard deviation, time scale 40 s.
    perception_s : float
        How long the wind angle is averaged by eye and feel.
    slew_deg_s : float
        How fast the rudder moves.
    bias_deg : float
        Sails this much wider than the best angle.
    by_compass : bool
        Steers a heading in place of a wind angle where the plan allows.
    anticipation : float
        Share of weather helm met before the heel has turned the boat.
    turn_rate_deg_s, overshoot_deg, sheet_s, settle_s : float
        Tacks and gybes: rate aimed at, degrees past the new angle, time constant of sheeting in,
        time constant of coming to the new angle.
    turn_spread : float
        Relative spread of those four from one tack to the next.
    """

    name: str
    gain: float = 0.8
    rate_gain_s: float = 1.3
    dead_band_deg: float = 0.7
    delay_s: float = 0.4
    noise_deg: float = 0.5
    wander_deg: float = 1.2
    perception_s: float = 2.5
    slew_deg_s: float = 20.0
    bias_deg: float = 0.0
    by_compass: bool = False
    anticipation: float = 0.8
    turn_rate_deg_s: float = 9.0
    overshoot_deg: float = 7.0
    sheet_s: float = 3.0
    settle_s: float = 9.0
    turn_spread: float = 0.15

    def named(self, name: str) -> HelmModel:
        """The same way of steering under another name."""
        return replace(self, name=name)

    def skill(self, activity: float) -> HelmModel:
        """A helm who moves the rudder this much more (1 is unchanged)."""
        return replace(self, gain=self.gain * activity**0.7,
                       noise_deg=self.noise_deg * activity * 1.1,
                       dead_band_deg=self.dead_band_deg * activity**0.4,
                       wander_deg=self.wander_deg * activity**0.5)


SKILLED = HelmModel("skilled")
LEARNER = HelmModel("learner", gain=1.25, rate_gain_s=0.9, dead_band_deg=1.6, delay_s=0.7,
                    noise_deg=1.3, wander_deg=2.8, perception_s=3.5, bias_deg=2.0,
                    anticipation=0.3, turn_rate_deg_s=6.5, overshoot_deg=14.0, sheet_s=5.5,
                    settle_s=14.0, turn_spread=0.25)
AUTOPILOT = HelmModel("autopilot", gain=0.7, rate_gain_s=1.6, dead_band_deg=0.6, delay_s=0.3,
                      noise_deg=0.15, wander_deg=0.1, perception_s=4.0, slew_deg_s=6.0,
                      by_compass=True, anticipation=0.0, turn_rate_deg_s=5.5, overshoot_deg=4.0,
                      sheet_s=5.0, settle_s=12.0, turn_spread=0.05)
