"""Sail choice against a season's polar: sums by hand, and what is not said."""

from dataclasses import replace

import numpy as np
import pandas as pd
from pytest import approx

from sailanalysis.polar.model import PolarModel, Surface
from sailanalysis.trials.choice import judge_sail_choice

TWS = np.arange(6.0, 20.5, 0.5)


def surface(speed_kn, sd=0.1, seed=0):
    """One speed everywhere, its draws off by one amount everywhere."""
    shape = (TWS.size, 181)
    off = np.random.default_rng(seed).normal(0.0, sd, 400)
    off = (off - off.mean()) / off.std() * sd
    draws = (speed_kn + off[:, None, None] + np.zeros(shape)).astype(np.float32)
    full = np.full(shape, float(speed_kn))
    return Surface(full, full, full, full, np.full(shape, 2, np.int8), full, draws, 1e4, 20)


def polar(jib=6.0, reacher=7.5, sd=0.1):
    held = {"all": surface(6.5), "main+jib": surface(jib, sd, 1),
            "main+reacher": surface(reacher, sd, 2)}
    return PolarModel(TWS, held, np.zeros((TWS.size, 181)), False, days=5)


def blocks(n=40, sails="main+jib"):
    return pd.DataFrame({"tws_kn": 12.0, "twa_deg": -80.0, "seconds": 30.0,
                         "sails": np.full(n, sails, dtype=object)})


def test_minutes_knots_and_miles():
    choice = judge_sail_choice(blocks(), polar())
    item, = choice.items
    assert (item.sails, item.better) == ("main+jib", "main+reacher")
    assert choice.compared_minutes == item.minutes == approx(20.0)
    assert item.gain_kn.value == approx(1.5)
    assert item.lost_nm.value == approx(0.5)  # 1.5 kn for a third of an hour
    assert item.lost_min.value == approx(4.0)  # two miles at 7.5 kn take 16 min, not 20
    # the difference of two surfaces off by 0.1 each, one pair: 1.96 standard deviations
    assert item.gain_kn.high - item.gain_kn.low == approx(2 * 1.96 * np.sqrt(2) * 0.1, rel=0.12)
    assert (item.twa_low_deg, item.twa_high_deg, item.tws_low_kn) == (80.0, 80.0, 12.0)


def test_the_faster_set_has_nothing_to_answer_for():
    assert judge_sail_choice(blocks(sails="main+reacher"), polar()).items == ()
    assert judge_sail_choice(blocks(sails="jib + main"), polar()).items  # one set, however spelled


def test_what_is_not_sure_is_not_said():
    assert judge_sail_choice(blocks(), polar(reacher=6.2)).items == ()  # 0.2 of 0.28 twice
    assert judge_sail_choice(blocks(), polar(sd=1.0)).items == ()
    assert judge_sail_choice(blocks(5), polar()).items == ()  # two and a half minutes
    assert judge_sail_choice(blocks(), replace(polar(), days=1)).items == ()
    assert judge_sail_choice(blocks(), None).compared_minutes == 0.0
    assert judge_sail_choice(None, polar()).items == ()
    other = judge_sail_choice(blocks(sails="main+gennaker"), polar())
    assert (other.items, other.compared_minutes) == ((), 0.0)


def test_a_kept_polar_without_draws_goes_by_its_intervals():
    """0.1 kn either surface, all cells alike: 1.96 standard deviations of the difference."""
    def kept(sd):
        held = polar(sd=sd)
        return replace(held, surfaces={name: replace(
            s, low_kn=s.median_kn - 1.959964 * sd, high_kn=s.median_kn + 1.959964 * sd,
            replicates_kn=s.replicates_kn[:0]) for name, s in held.surfaces.items()})

    item, = judge_sail_choice(blocks(), kept(0.1)).items
    assert item.gain_kn.high - item.gain_kn.low == approx(2 * 1.96 * np.sqrt(2) * 0.1, rel=1e-3)
    assert judge_sail_choice(blocks(), kept(1.0)).items == ()
