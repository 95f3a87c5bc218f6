"""The day stepped in time: surge, heel, yaw, leeway and the helm's hand.

One plain loop over Python floats (ten steps a second); numpy scalars would be slower here.
State that a second run needs, to sail the same minutes without a turn, can be copied at any step.
"""

from __future__ import annotations

import math

from .boats import AIR_KG_M3, GRAVITY, KNOT, STALLED, WATER_KG_M3
from .crew import RECORDED, STEP_S, Crew, State, Turn, wrap

__all__ = ["RECORDED", "STEP_S", "State", "Turn", "Voyage"]


class Voyage(Crew):
    """A day as it is sailed."""

    def sail(self, s: State, start: int, stop: int, out: dict[str, list[float]] | None = None,
             crew: bool = True, own_past: bool = False) -> int:
        """Step from ``start`` to ``stop``; without ``crew`` the helm holds what she holds.

        Returns the step at which the plan was done. ``own_past`` true: headings before the start
        are not those of the first run (the boat was put somewhere else).
        """
        boat = self.boat
        record = self.out if out is None else out
        shift = 0 if out is None else start
        columns = [record[name] for name in RECORDED]
        past = self.out["hdg_deg"]
        sin, cos, atan2, asin = math.sin, math.cos, math.atan2, math.asin
        rad, deg = math.pi / 180.0, 180.0 / math.pi
        dt = STEP_S
        weight = boat.displacement_kg * GRAVITY
        righting = weight * boat.gm_m
        heel_limit = sin(boat.heel_max_deg * rad)
        mass = boat.mass_kg
        omega2 = (2 * math.pi / boat.roll_period_s) ** 2
        damping = 2 * boat.roll_damping * 2 * math.pi / boat.roll_period_s
        fluid0 = 0.5 * WATER_KG_M3 * math.pi * boat.keel_span_m**2
        aspect = boat.rudder_aspect
        rudder_slope2 = (2 * math.pi * aspect / (aspect + 2)) ** 2
        rudder0 = 0.5 * WATER_KG_M3 * boat.rudder_area_m2 * rudder_slope2 / (math.pi * aspect * .9)
        turn_drag = 0.14 * boat.lwl_m * boat.displacement_kg
        length = boat.lwl_m
        cruise = 0.32 * math.sqrt(GRAVITY * length)
        slope = self.slope_deg
        yaw_wave = 0.55 * slope * min(1.0, 10.0 / length)
        surge_wave = 0.2 * GRAVITY * slope * rad
        full = boat.engine_speed_kn * KNOT
        felt, felt_from, slow_from = self.felt, self.felt_from, self.slow_from
        w_ahead, w_abeam, w_astern = self.waves
        resistance = self.resistance
        current_east, current_north = self.current
        (heading, speed, yaw, heel, roll, heel_slow, leeway, rudder, rudder_set, trim_helm,
         efficiency, ease, east, north) = _motion(s)
        lived: list[float] = []
        first_heading = heading
        for i in range(start, stop):
            if i % 10 == 0:
                _store(s, heading, speed, yaw, heel, roll, heel_slow, leeway, rudder, rudder_set,
                       trim_helm, efficiency, ease, east, north)
                if crew:
                    self.decide(s, i)
                    if self._done:
                        return i
                    speed, yaw, efficiency, trim_helm = s.speed, s.yaw, s.efficiency, s.helm_trim
                elif i > start and s.best and s.by_wind:
                    best = self.table(s.sails)[4].best_angle_deg(
                        self.felt_mean(i) / KNOT, s.best == "up")
                    s.angle += 0.1 * (float(best) - s.angle)
                helm = self.helms[s.helm]
                seen, noise, drift = self.seen[s.helm], self.noise[s.helm], self.drift[s.helm]
                delay = max(1, round(helm.delay_s / dt))
                table = self.table(s.sails)
                lift_table, drag_table, area, centre, _ = table
                side_max = righting * heel_limit / max(centre, 1.0)
                thrust = boat.engine_thrust_n(s.rpm) if s.rpm > 0 else 0.0
                rudder_max = boat.rudder_max_deg * (0.95 if s.turning else 0.8)
                s.exit_extra *= math.exp(-1.0 / s.exit_scale) if not s.turning else 1.0
                power = max(0.5, min(2.2, cruise / max(speed, 0.3)))
                band = helm.dead_band_deg
                footing = 0.0
                if s.best == "up":
                    # A boat that has lost her way is sailed free until she goes again.
                    usual = float(table[4](self.felt_mean(i) / KNOT, s.angle)) * KNOT
                    footing = max(0.0, min(14.0, 30.0 * (0.65 - speed / max(usual, 0.5))))
                kite_hold = 0.35 if area and self.boat.sail_set(s.sails).kind == "kite" else 0.55

            # Air and sails.
            wind = felt[i]
            angle = (felt_from[i] - heading) * rad
            lee = leeway * rad
            ahead = wind * cos(angle) + speed * cos(lee)
            abeam = wind * sin(angle) + speed * sin(lee)
            aws2 = ahead * ahead + abeam * abeam
            beta = atan2(abs(abeam), ahead)
            position = beta * deg
            k = int(position)
            part = position - k
            lift = lift_table[k] + part * (lift_table[k + 1] - lift_table[k])
            drag = drag_table[k] + part * (drag_table[k + 1] - drag_table[k])
            sin_b, cos_b = sin(beta), cos(beta)
            pressure = 0.5 * AIR_KG_M3 * aws2 * cos(heel_slow * rad) ** 2
            side_full = pressure * area * (lift * cos_b + drag * sin_b)
            wanted = side_max / side_full if side_full > side_max else 1.0
            ease += (max(0.15, wanted) - ease) * dt / 3.0
            lift *= ease * efficiency
            drag = 0.06 + (drag - 0.06) * ease**1.5 * efficiency + 0.08 * (1 - efficiency)
            if area == 0.0:
                side_force, drive = 0.0, -pressure * boat.windage_m2 * cos_b
            else:
                side_force = pressure * area * (lift * cos_b + drag * sin_b)
                # Wind from port is negative abeam.
                trim = s.trim * boat.port_factor if abeam < 0 else s.trim
                drive = pressure * (trim * area * (lift * sin_b - drag * cos_b)
                                    - boat.windage_m2 * cos_b)
            # Heel: starboard down is positive, wind from starboard heels to port.
            lever = side_force * centre / righting
            balance = asin(lever if lever < 0.9 else 0.9) * deg
            if abeam > 0:
                balance = -balance
            # Waves come with the slow wind.
            from_bow = (slow_from[i] - heading) * rad
            c, q = cos(from_bow), sin(from_bow)
            wave = (w_ahead[i] * c if c > 0 else -w_astern[i] * c) + w_abeam[i] * abs(q)
            roll += (omega2 * (balance + slope * abs(q) * wave - heel) - damping * roll) * dt
            heel += roll * dt
            heel_slow += (heel - heel_slow) * dt / 2.5
            knots = speed / KNOT
            if knots < 0.8:
                knots = 0.8
            lee_to = boat.leeway_k * heel_slow / (knots * knots)
            lee_to = 16.0 if lee_to > 16.0 else -16.0 if lee_to < -16.0 else lee_to
            leeway += (lee_to - leeway) * dt / boat.sway_lag_s
            # Surge.
            quick = speed if speed > 0.8 else 0.8
            attack = (rudder - yaw * 0.42 * length / quick) * rad
            size = abs(speed)
            water = resistance[int(size * 100)] if size < 19.9 else resistance[1990]
            if speed < 0:
                water = -water
            ahead_wave = 0.5 + 0.5 * c
            turn_rate = yaw * rad
            keel = side_force * side_force / (fluid0 * quick * quick)
            force = (drive + thrust * (1 - 0.4 * speed / full) - water
                     - (keel if keel < STALLED * side_force else STALLED * side_force)
                     - rudder0 * speed * abs(speed) * sin(attack) ** 2
                     - self.light_wave * ahead_wave**1.5 * (1.0 if speed > 0.3 else 0.0)
                     - turn_drag * turn_rate * turn_rate * (1.0 if speed > 0 else 0.0))
            speed += (force / mass + surge_wave * c * wave) * dt
            # Helm.
            then = i - delay
            if then >= start:
                seen_heading = lived[then - start]
            elif own_past or then < 0:
                seen_heading = first_heading
            else:
                seen_heading = past[then]
            if s.turning:
                now = (slow_from[i] - heading + 180.0) % 360.0 - 180.0
                direction = s.turning
                if s.turn_kind == "circle":
                    s.turn_left -= direction * yaw * dt
                    left = s.turn_left
                else:
                    goal = s.turn_to + s.exit_extra * (1 if s.turn_to > 0 else -1)
                    left = ((now - goal) * direction) % 360.0
                ramp = (i - s.turn_since) * dt / 2.0
                want = s.turn_rate * min(1.0, 0.25 + ramp, max(left, 2.0) / (2.2 * s.turn_rate))
                gain = boat.nomoto_k * quick / length
                command = (boat.weather_helm * heel_slow + direction * want / gain
                           + 0.6 * (direction * want - yaw) / gain + noise[i])
                near = abs(now)
                if s.turn_kind == "tack" and near < 28.0:
                    efficiency += (0.3 - efficiency) * dt / 0.8
                    s.sheet_at = i
                elif s.turn_kind == "gybe" and near > 162.0:
                    efficiency += (kite_hold - efficiency) * dt / 0.8
                    s.sheet_at = i
                elif s.turn_kind in ("luff", "failed", "circle") and (near < 25.0 or near > 165.0):
                    efficiency += (0.25 - efficiency) * dt / 0.8
                else:
                    efficiency += (1.0 - efficiency) * dt / s.sheet_s
                if s.turn_kind == "failed" and now * s.side < s.abort_at:
                    s.turning, s.turn_kind = -direction, "return"
                    s.turn_to = s.side * (s.angle if s.by_wind
                                          else abs(wrap(slow_from[i] - s.course)))
                    s.turn_since = i
                elif left < 3.0 or (left > 300.0 and s.turn_kind != "circle"
                                    and i - s.turn_since > 30) or i - s.turn_since > (
                                        3000 if s.turn_kind == "circle" else 900):
                    s.turning = 0
                    if s.turn_kind != "luff":
                        s.turn_kind = ""
            else:
                if s.turn_kind == "luff":
                    off = (seen[then] if then >= 0 else seen[0]) - seen_heading - s.turn_to
                    efficiency += (0.25 - efficiency) * dt / 0.8
                elif s.by_wind:
                    bias = helm.bias_deg if s.best == "up" else 0.0
                    target = s.side * (s.angle + footing + bias + s.exit_extra)
                    # Attention drifts high and low of the groove, whichever tack she is on.
                    off = ((seen[then] if then >= 0 else seen[0]) - seen_heading
                           - target - s.side * drift[i])
                else:
                    off = s.course - seen_heading + drift[i]
                off = (off + 180.0) % 360.0 - 180.0
                if s.turn_kind != "luff":
                    efficiency += (1.0 - efficiency) * dt / s.sheet_s
                if -6.0 < off < 6.0 and -3.0 < s.exit_extra < 3.0:
                    # What it takes to hold her is learnt on the angle, not on the way to it.
                    trim_helm += 0.05 * off * dt * helm.gain
                trim_helm = 10.0 if trim_helm > 10 else -10.0 if trim_helm < -10 else trim_helm
                off = 25.0 if off > 25 else -25.0 if off < -25 else off
                command = (helm.anticipation * boat.weather_helm * heel_slow + trim_helm
                           + power * (helm.gain * off - helm.rate_gain_s * yaw) + noise[i])
            command = (rudder_max if command > rudder_max else
                       -rudder_max if command < -rudder_max else command)
            if abs(command - rudder_set) > band:
                rudder_set = command
            move = rudder_set - rudder
            most = helm.slew_deg_s * dt
            rudder += most if move > most else -most if move < -most else move
            # Yaw.
            steer = quick if speed > 0 else 0.25
            t_yaw = boat.nomoto_t * length / (quick if quick > 1.0 else 1.0)
            turn_to = (boat.nomoto_k * (steer if speed > 0.8 else max(speed, 0.1)) / length
                       * (rudder - boat.weather_helm * heel_slow))
            if (speed < 1.0 and area > 0.0 and s.turn_kind != "luff"
                    and abs((felt_from[i] - heading + 180) % 360 - 180) < 38):
                # In irons: backed sails and sternway push the bow the way the crew wants.
                towards = s.turning or -s.side
                turn_to += towards * boat.backing_deg_s * (1.0 - max(speed, 0.0))
            yaw += ((turn_to - yaw) / t_yaw + yaw_wave * (0.25 + abs(2 * c * q)) * wave) * dt
            if s.moored:
                speed = yaw = rudder = 0.0
                roll *= 0.7
                ve = vn = 0.0
            else:
                track = (heading + leeway) * rad
                ve = speed * sin(track) + current_east[i]
                vn = speed * cos(track) + current_north[i]
            heading = (heading + yaw * dt) % 360.0
            east += ve * dt
            north += vn * dt
            lived.append(heading)
            j = i - shift
            for column, value in zip(columns, (
                    heading, speed, leeway, heel, roll, yaw, rudder, east, north, s.rpm, ease,
                    s.side * s.angle), strict=True):
                column[j] = value
        _store(s, heading, speed, yaw, heel, roll, heel_slow, leeway, rudder, rudder_set,
               trim_helm, efficiency, ease, east, north)
        return stop

    def cut(self, n: int) -> None:
        """End the day early: every leg reached its mark."""
        self.n = n
        self.notes = [note for note in self.notes if note[0] < n]

    @property
    def slope_deg(self) -> float:
        """Root mean square wave slope the hull feels, degrees; short waves average out."""
        height, period = self.water.wave_height_m, self.wave_period_s
        number = (2 * math.pi / period) ** 2 / GRAVITY
        felt = 1.0 / (1.0 + (0.2 * number * self.boat.lwl_m) ** 2)
        return math.degrees(height / 4 * number) * felt


def _motion(s: State) -> tuple[float, ...]:
    return (s.heading, s.speed, s.yaw, s.heel, s.roll, s.heel_slow, s.leeway, s.rudder,
            s.rudder_set, s.helm_trim, s.efficiency, s.ease, s.east, s.north)


def _store(s: State, *motion: float) -> None:
    (s.heading, s.speed, s.yaw, s.heel, s.roll, s.heel_slow, s.leeway, s.rudder, s.rudder_set,
     s.helm_trim, s.efficiency, s.ease, s.east, s.north) = motion
