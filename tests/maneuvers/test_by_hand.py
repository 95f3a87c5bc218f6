"""Signs, borders and counts of maneuvers, each worked out by hand."""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from seas.toy import ramp, toy_log

from sailanalysis.core.model import Boat
from sailanalysis.maneuvers import cost, find_maneuvers
from sailanalysis.maneuvers.anatomy import _exit
from sailanalysis.maneuvers.compare import LEAST, holm, median_interval, patterns, rank_correlation
from sailanalysis.maneuvers.cost import luck_m

T = np.arange(0.0, 400.0)


@pytest.mark.parametrize(("turn", "kinds"), [(14.0, []), (24.0, ["gybe"]), (32.0, ["gybe"])])
def test_a_gybe_from_a_deep_run_needs_eighteen_degrees(turn, kinds):
    heading = ramp(T, 200, 206, 180.0 - turn / 2, 180.0 + turn / 2)
    assert find_maneuvers(toy_log(heading, 6.0), Boat())["kind"].tolist() == kinds


def exit_case(angle_after, settled, sign, two_sided=True):
    """A turn that ends at the tenth second, seen once a second."""
    twa = np.concatenate([np.full(11, np.nan), np.full(8, float(angle_after)), np.full(40, float(settled))])
    place = SimpleNamespace(end=10, two_sided=two_sided, bins=lambda s: round(s),
                            series=SimpleNamespace(twa_deg=twa))
    return SimpleNamespace(place=place, settled_twa_deg=float(settled),
                           sides=SimpleNamespace(sign=sign))


@pytest.mark.parametrize(("after", "settled", "sign", "too_far"), [
    (55.0, 42.0, 1, 13.0), (-55.0, -42.0, 1, 13.0),  # a tack that falls away too far
    (36.0, 42.0, 1, -6.0),  # not far enough
    (140.0, 155.0, -1, 15.0), (-140.0, -155.0, -1, 15.0),  # a gybe that comes up too far
    (165.0, 155.0, -1, -10.0)])
def test_turned_too_far_is_positive_away_from_the_axis_of_the_wind(after, settled, sign, too_far):
    out = _exit(exit_case(after, settled, sign))
    assert out["over_rotation_deg"] == approx(too_far)
    assert out["exit_twa_deg"] == approx(abs(after)) and out["settled_twa_deg"] == abs(settled)


def test_eight_seconds_after_the_turn_are_its_exit():
    case = exit_case(50.0, 42.0, 1)
    case.place.series.twa_deg[18] = 90.0  # the eighth second
    assert _exit(case)["exit_twa_deg"] == approx((7 * 50.0 + 90.0) / 8)
    case.place.series.twa_deg[19] = np.nan  # the ninth is none of it
    assert np.isfinite(_exit(case)["exit_twa_deg"])
    case.place.series.twa_deg[18] = np.nan
    assert np.isnan(_exit(case)["exit_twa_deg"])
    assert np.isnan(_exit(exit_case(50.0, 42.0, 1, two_sided=False))["over_rotation_deg"])


def costed(twa_after, sign=1, along="wind", two_sided=True, stop=40):
    place = SimpleNamespace(two_sided=two_sided, crossing=10, step_s=0.5)
    bounded = SimpleNamespace(stop=stop, place=place,
                              sides=SimpleNamespace(along=along, twa_after_deg=twa_after, sign=sign))
    return SimpleNamespace(place=place, bounded=bounded, pace_ms=3.0)


def test_the_luck_of_the_tack_she_left_by_hand():
    """15 s of an angle that wanders by 4 deg2 a second: 7.746 deg s; across at 3 m/s and 45 deg."""
    response = SimpleNamespace(luck_deg2_s=4.0)
    want = 2.0 * 3.0 * 1.0 * np.radians(np.sqrt(4.0 * 15.0))
    assert luck_m(costed(45.0), response) == approx(want)
    assert luck_m(costed(-135.0, sign=-1), response) == approx(want)  # 45 deg off dead down
    assert luck_m(costed(75.0), response) == approx(want * np.tan(np.radians(60.0)))  # at most 60
    assert luck_m(costed(45.0, two_sided=False), response) == 0.0
    assert luck_m(costed(45.0, along="course"), response) == 0.0
    assert luck_m(costed(45.0, stop=10), response) == 0.0


def turns(n, slope=1.0):
    loss = np.arange(float(n))
    return pd.DataFrame({"kind": "tack", "loss_s": loss, "entry_share": 1.0 - 0.01 * slope * loss})


def test_a_pattern_needs_eight_of_a_kind():
    assert LEAST == 8
    assert patterns(turns(7)) == []
    (found,) = patterns(turns(8))
    assert (found.kind, found.trait, found.count) == ("tack", "entry_share", 8)
    assert found.correlation == approx(-1.0)
    # Eight in all, but of two kinds.
    mixed = pd.concat([turns(5), turns(5).assign(kind="gybe")])
    assert patterns(mixed) == []
    # Eight rows of which one lacks the trait.
    gap = turns(8)
    gap.loc[3, "entry_share"] = np.nan
    assert patterns(gap) == []


def test_rank_correlation_and_holm_by_hand():
    x = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    y = np.array([2.0, 1.0, 4.0, 3.0, 6.0, 5.0])
    rho, low, high, p = rank_correlation(x, y)
    assert rho == approx(1 - 6 * 6 / (6 * 35))  # six differences of one: 0.829
    assert low < rho < high and high < 1.0
    # t = rho sqrt(4 / (1 - rho^2)) = 2.96 with 4 degrees of freedom: p 0.0416 (tables)
    assert p == approx(0.0416, abs=5e-4)
    assert rank_correlation(x, -y)[0] == approx(-rho)
    assert np.isnan(rank_correlation(x[:4], y[:4])[0]) and np.isfinite(rank_correlation(x[:5], y[:5])[0])
    assert holm(np.array([0.04, 0.01, np.nan, 0.03])).tolist()[:2] == approx([0.06, 0.03])
    assert holm(np.array([0.04, 0.01, np.nan, 0.03]))[3] == approx(0.06)


def test_median_interval_of_order_statistics():
    """David and Nagaraja, section 7.1: of six values the whole range, of nine the second to the
    eighth (1 - 2 (1 + 9) / 512 = 0.961)."""
    assert np.isnan(median_interval(np.arange(5.0))[1])
    assert median_interval(np.arange(6.0)) == (2.5, 0.0, 5.0)
    assert median_interval(np.arange(9.0)) == (4.0, 1.0, 7.0)


@dataclass(frozen=True)
class Answer:
    luck_deg2_s: float
    widening: float = 1.0


@dataclass(frozen=True)
class Case:
    place: object
    bounded: object
    pace_ms: float
    sd_m: float = 3.0
    shared_m: float = 1.0
    reason: str = ""


def test_an_interval_holds_widening_luck_and_calibration_once_each(monkeypatch):
    monkeypatch.setattr(cost, "widening", lambda *_: 2.0)
    monkeypatch.setattr(cost, "angle_sd_deg", lambda *_: 0.0)
    monkeypatch.setattr(cost, "calibration_m", lambda *_: 4.0)
    monkeypatch.setattr(cost, "verdict", lambda _, own_sd_m: round(own_sd_m, 6))
    one = costed(45.0)
    case = Case(one.place, one.bounded, one.pace_ms)
    near = SimpleNamespace(stretches={1: []}, responses={1: Answer(4.0)})
    luck = luck_m(one, Answer(4.0))
    (got,), responses = cost.settle_intervals([case], near, None)
    assert got.sd_m == approx(np.sqrt(6.0**2 + luck**2 + 4.0**2))
    assert got.reason == approx(np.hypot(6.0, luck), abs=1e-6)  # its own, without calibration's
    assert got.shared_m == approx(np.hypot(1.0, 4.0)) and responses[1].widening == 2.0
