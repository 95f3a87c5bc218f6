"""The chain and what feeds it, on cases worked out by hand."""

import numpy as np
import pytest
from seas.toy import toy_log

from sailanalysis.segment.blocks import make_blocks
from sailanalysis.segment.chain import MODEL_DOUBT, START, believe, three, transition
from sailanalysis.segment.evidence import general_boat, sail_speed_kn, weighed
from sailanalysis.segment.own_boat import suppositions
from sailanalysis.segment.said import HALF_TRUST, half_trusted


def test_one_block_is_bayes_rule():
    # Start 0.40 sailing; a likelihood of 3 for it: 1.2 / (1.2 + 0.6), less the model's own doubt.
    log = np.zeros((1, 1, 6))
    log[0, 0, 0] = np.log(3.0)
    p = believe(log, np.empty(0), np.ones(1)).probability
    assert p[0, 0] == pytest.approx((1 - MODEL_DOUBT) * 1.2 / 1.8 + MODEL_DOUBT / 6)
    assert p.sum() == pytest.approx(1.0) and START.sum() == pytest.approx(1.0)


def test_suppositions_are_weighed_by_the_whole_day():
    # Two boats, equally probable; under the first both blocks are e times likelier in every state.
    log = np.zeros((2, 2, 6))
    log[:, 0, :] = 1.0
    weight = believe(log, np.array([10.0]), np.array([0.5, 0.5])).weight
    assert weight[0] == pytest.approx(np.e**2 / (1 + np.e**2))


def test_no_evidence_leaves_what_the_rates_make_of_the_start():
    p = believe(np.zeros((2, 1, 6)), np.array([3600.0]), np.ones(1)).probability
    assert p[1] == pytest.approx((1 - MODEL_DOUBT) * START @ transition(3600.0) + MODEL_DOUBT / 6)
    assert three(p).sum(axis=1) == pytest.approx([1.0, 1.0])


def test_evidence_is_bounded_tempered_and_silent_where_anything_is_missing():
    log = np.array([[0.0, -9.0, 0.0, 0.0, 0.0, 0.0], [0.0, np.nan, 0.0, 0.0, 0.0, 0.0]])
    out = weighed(log, np.array([True, True]), np.array([10.0, 10.0]), 100.0)
    assert out[0, 1] == pytest.approx(-4.0 * 0.1)  # bounded at -4, a tenth of independent time
    assert (out[1] == 0.0).all()


def test_a_source_found_wrong_counts_three_to_one_a_statement():
    spoken = np.zeros((20, 6))
    spoken[:, 2] = -1.0
    out = half_trusted(spoken, np.zeros(20), np.full(20, np.nan))
    assert out[:, 2].sum() == pytest.approx(-HALF_TRUST)
    turning = half_trusted(spoken, np.ones(20), np.full(20, 1900.0))
    assert turning[:, 2].sum() == pytest.approx(-20.0)


def test_the_general_boats_speed_is_what_is_written_of_it():
    boat = general_boat(9.0, None)
    assert sail_speed_kn(boat, np.array([12.0, 12.0, 12.0]), np.array([90.0, 42.0, 180.0])) == pytest.approx(
        [6.2, 5.3, 5.1], abs=0.06)
    boats, weight = suppositions(boat)
    assert len(boats) == weight.size and weight.sum() == pytest.approx(1.0)


@pytest.mark.parametrize(("by_wind", "slope"), [(True, 1.0), (False, 0.0)])
def test_she_follows_the_wind_or_a_compass(by_wind, slope):
    t = np.arange(1200.0)
    wind = 8.0 * np.sin(2 * np.pi * t / 400.0)
    heading = 270.0 + (wind if by_wind else 0.0)
    b = make_blocks(toy_log(np.broadcast_to(heading, t.shape), 5.0, wind_from_deg=wind))
    assert np.nanmedian(b.follows) == pytest.approx(slope, abs=0.1)


def test_a_log_that_stands_still_at_six_knots_is_fouled_but_not_one_at_a_mooring():
    under_way = toy_log(np.full(600, 270.0), 0.0).assign(sog_kn=6.0)
    moored = toy_log(np.full(600, 270.0), 0.0)
    assert np.isnan(make_blocks(under_way).stw_kn).all()
    assert (make_blocks(moored).stw_kn == 0.0).all()
