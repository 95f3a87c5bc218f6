"""The generator agrees with itself and with mechanics; nothing here touches the analysis."""

from dataclasses import replace

import numpy as np
import pytest
from simulator import BOATS, SLOOP, Leg, Scenario, SeaModel, simulate_day, turns
from simulator_tests.short_days import CALM, short_day, still


def east_north(speed, bearing_deg):
    return speed * np.sin(np.radians(bearing_deg)), speed * np.cos(np.radians(bearing_deg))


def test_apparent_wind_is_true_wind_plus_own_motion():
    truth = short_day().truth
    # Air over the water plus the boat's way through it, in earth axes, from the definition.
    wind = -np.array(east_north(truth.tws_kn, truth.twd_deg))
    boat = np.array(east_north(truth.stw_kn, truth.hdg_deg + truth.leeway_deg))
    met = wind - boat
    bearing = np.degrees(np.arctan2(-met[0], -met[1]))
    apart = (bearing - truth.hdg_deg - truth.awa_deg + 180) % 360 - 180
    assert np.abs(apart).max() < 1e-6
    assert np.abs(np.hypot(*met) - truth.aws_kn).max() < 1e-9


def test_track_is_course_through_water_plus_current():
    truth = short_day().truth
    sailing = truth[truth.state != "stopped"]
    water = np.array(east_north(sailing.stw_kn, sailing.hdg_deg + sailing.leeway_deg))
    stream = np.array(east_north(sailing.drift_kn, sailing.set_deg))
    ground = np.array(east_north(sailing.sog_kn, sailing.cog_deg))
    assert np.abs(water + stream - ground).max() < 1e-9


def test_positions_integrate_speed_over_ground():
    from geographiclib.geodesic import Geodesic
    truth = short_day().truth.iloc[3000:9000]
    east, north = (np.sum(part) * 0.1 * 1852 / 3600 for part in
                   east_north(truth.sog_kn.to_numpy(), truth.cog_deg.to_numpy()))
    line = Geodesic.WGS84.Inverse(truth.lat.iloc[0], truth.lon.iloc[0], truth.lat.iloc[-1],
                                  truth.lon.iloc[-1])
    assert line["s12"] == pytest.approx(np.hypot(east, north), rel=2e-3)


def test_heading_integrates_rate_of_turn():
    truth = short_day().truth
    sailing = truth[truth.state == "sailing"]
    turned = np.diff(np.unwrap(np.radians(sailing.hdg_deg)))
    assert np.degrees(turned) == pytest.approx(sailing.rate_of_turn_deg_s.to_numpy()[1:] * 0.1,
                                               abs=1e-6)


@pytest.mark.parametrize("name", sorted(BOATS))
def test_steady_run_reaches_the_polar(name):
    boat = BOATS[name]
    sails = boat.sails[0].name
    for twa in (60.0, 100.0, 150.0):
        day = simulate_day(Scenario(boat=boat, sea=CALM, sails=sails, helms=(still(),), legs=(
            Leg("reach", 400.0, side=1, twa_deg=twa),)), 1)
        end = day.truth.iloc[-300:]
        polar = day.steady_speed_kn(end.tws_kn.mean(), end.twa_deg.mean(), sails)
        assert end.stw_kn.mean() == pytest.approx(float(polar), rel=0.01)


def test_leeway_follows_heel_over_speed_squared():
    day = simulate_day(Scenario(sea=CALM, helms=(still(),), legs=(
        Leg("reach", 300.0, side=-1, twa_deg=50.0),)), 1)
    end = day.truth.iloc[-100:].mean(numeric_only=True)
    assert end.heel_deg > 5  # wind from port: starboard side down
    assert end.leeway_deg == pytest.approx(SLOOP.leeway_k * end.heel_deg / end.stw_kn**2, rel=0.02)


def test_counterfactual_is_the_day_without_the_turn():
    """Re-run from the turn's start, she sails as on the same day planned without that turn."""
    tack = turns("tack", [350])
    with_turn, without = (simulate_day(Scenario(legs=(
        Leg("beat", 700.0, side=1, actions=actions),)), 3) for actions in (tack, ()))
    start = with_turn._turns[0].start
    frame = with_turn.counterfactual(0)
    plain = without.truth.iloc[start:start + len(frame)]
    slow = without.truth.twd_slow_deg.iloc[start:start + len(frame)]
    made = plain.stw_kn * np.cos(np.radians(plain.hdg_deg + plain.leeway_deg - slow))
    assert frame.reference_m.to_numpy() == pytest.approx(
        np.cumsum(made.to_numpy()) * 0.1 * 1852 / 3600, abs=1e-6)
    assert 3.0 < with_turn.counterfactual_loss_m(0) < 40.0


def test_counterfactual_in_a_steady_sea_needs_no_reference_choice():
    """No gusts, shifts, waves or wandering: both references give the same loss."""
    day = simulate_day(Scenario(sea=CALM, helms=(still(),), turn_variation=0.0, legs=(
        Leg("beat", 1200.0, side=1, actions=turns("tack", [400, 800])),)), 3)
    for number in range(2):
        carried = day.counterfactual_loss_m(number, "carried_on")
        free = day.counterfactual_loss_m(number, "free_turn")
        assert carried == pytest.approx(free, abs=1.0)
        assert 3.0 < carried < 40.0
    # And the two tacks, one each way, cost the same.
    assert day.counterfactual_loss_m(0) == pytest.approx(day.counterfactual_loss_m(1), abs=1.0)


def test_tacks_cost_more_for_a_learner_and_in_a_catamaran():
    from simulator import CATAMARAN, LEARNER, SKILLED
    plan = (Leg("beat", 1300.0, side=1, actions=turns("tack", [400, 850])),)

    def cost(boat, helm):
        day = simulate_day(Scenario(boat=boat, sea=CALM, helms=(still(helm),), legs=plan), 3)
        return np.mean([day.counterfactual_loss_m(k) for k in range(2)])
    assert cost(SLOOP, LEARNER) > 1.1 * cost(SLOOP, SKILLED)
    assert cost(CATAMARAN, SKILLED) > 1.3 * cost(SLOOP, SKILLED)


def test_events_are_what_was_planned():
    kinds = short_day().events.kind.tolist()
    assert kinds.count("gybe") == 2
    assert kinds.count("circle") == 1
    assert kinds.count("luff") == 2  # one of them a tack that fell back
    tacks = short_day().events.query("kind == 'tack'")
    assert len(tacks) == 2
    assert (tacks.from_side != tacks.to_side).all()
    assert ((tacks.crossing > tacks.start) & (tacks.crossing < tacks.end)).all()


def test_true_wind_is_over_the_water():
    """A knot of tide under a calm: the wind over the water is the tide's own."""
    sea = replace(CALM, tws_kn=6.0, twd_deg=0.0, steady_current_kn=2.0, steady_set_deg=0.0)
    day = simulate_day(Scenario(sea=sea, legs=(Leg("reach", 60.0, side=1),)), 1)
    # Wind from north at 6 against a stream that goes north at 2: 8 over the water.
    assert day.truth.tws_kn.mean() == pytest.approx(8.0, abs=1e-6)
    assert isinstance(sea, SeaModel)


def test_same_seed_same_day_and_another_seed_another():
    scenario = Scenario(legs=(Leg("beat", 120.0),))
    first, again, other = (simulate_day(scenario, seed) for seed in (1, 1, 2))
    assert first.truth.equals(again.truth)
    for name, (time_s, value) in first.logged.items():
        assert np.array_equal(time_s, again.logged[name][0])
        assert np.array_equal(value, again.logged[name][1], equal_nan=True)
    assert not first.truth.equals(other.truth)


def test_helm_skill_shows_in_the_rudder():
    from simulator import SKILLED
    quiet, busy = SKILLED.named("a"), SKILLED.skill(1.6).named("b")
    rms = []
    for helm in (quiet, busy):
        day = simulate_day(Scenario(helms=(helm,), legs=(Leg("beat", 900.0, side=1),)), 5)
        rudder = day.truth.rudder_deg
        rms.append(float((rudder - rudder.rolling(300, center=True).mean()).std()))
    assert rms[1] > 1.2 * rms[0]


def test_trim_gain_is_the_steady_difference():
    from simulator import Action
    from simulator.scenarios import driving_factor
    factor = driving_factor(SLOOP, "main+jib", 12.0, 70.0, 0.3)
    day = simulate_day(Scenario(sea=CALM, helms=(still(),), legs=(
        Leg("reach", 800.0, side=1, twa_deg=70.0, actions=(
            Action("trim", 400.0, "vang", effect=factor),)),)), 1)
    before, after = day.truth.stw_kn.iloc[3500:3990].mean(), day.truth.stw_kn.iloc[-500:].mean()
    assert after - before == pytest.approx(0.3, abs=0.03)
    assert day.trials.gain_kn.iloc[0] == pytest.approx(0.3, abs=0.05)


def test_marks_are_reached_with_few_turns():
    legs = (Leg("beat", 3600.0, side=1, mark_m=(0.0, 2000.0), width_m=400.0),
            Leg("reach", 1500.0, mark_m=(1200.0, 1200.0)),
            Leg("run", 3000.0, mark_m=(0.0, -500.0), width_m=250.0))
    day = simulate_day(Scenario(sea=SeaModel(twd_deg=0.0, tide_kn=0.5), legs=legs), 2)
    assert len(day.truth) * 0.1 < 3600  # no leg ran out its time
    kinds = day.events.kind.tolist()
    assert 1 <= kinds.count("tack") <= 8
    assert kinds.count("gybe") <= 5
    start = day.scenario.lat, day.scenario.lon
    from geographiclib.geodesic import Geodesic
    end = Geodesic.WGS84.Inverse(*start, day.truth.lat.iloc[-1], day.truth.lon.iloc[-1])
    assert end["s12"] == pytest.approx(500.0, abs=80.0)
