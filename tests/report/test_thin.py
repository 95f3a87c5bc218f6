import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from sailanalysis.figures.thin import keep_peaks, open_gaps, thinned

values = hnp.arrays(float, st.integers(1, 3000), elements=st.floats(-1e6, 1e6) | st.just(np.nan))


def test_a_single_spike_survives_a_thousandfold_thinning():
    y = np.zeros(100_000)
    y[54_321], y[77_777] = 9.0, -4.0
    kept = keep_peaks(y, 100)
    assert {54_321, 77_777, 0, 99_999} <= set(kept.tolist())
    assert kept.size <= 102


@given(values, st.integers(4, 400))
def test_lowest_highest_first_and_last_are_kept(y, points):
    kept = keep_peaks(y, points)
    assert (np.diff(kept) > 0).all() and kept[0] == 0 and kept[-1] == y.size - 1
    assert kept.size <= max(points, 4) + 2
    if np.isfinite(y).any():
        assert np.nanmin(y[kept]) == np.nanmin(y) and np.nanmax(y[kept]) == np.nanmax(y)


@given(values, st.integers(4, 400))
def test_thinning_again_to_the_same_size_changes_nothing_when_it_fits(y, points):
    once = y[keep_peaks(y, points)]
    assert keep_peaks(once, once.size).size == once.size


def test_a_gap_stays_open():
    t = np.concatenate([np.arange(0, 1000.0), np.arange(1600, 3000.0)])
    x, y = thinned(t, np.sin(t), 100, max_gap_s=5.0)
    hole = np.flatnonzero(np.isnan(y))
    assert hole.size == 1
    assert x[hole[0] - 1] == 999.0 and x[hole[0] + 1] == 1600.0
    t2, y2 = open_gaps(t, np.sin(t), max_gap_s=5.0)
    assert np.isnan(y2[1000]) and t2.size == t.size + 1


@given(hnp.arrays(float, st.integers(2, 500), elements=st.floats(-10, 10)), st.integers(4, 100))
def test_without_gaps_no_break_appears(y, points):
    _, out = thinned(np.arange(float(y.size)), y, points, max_gap_s=2.5)
    assert np.isfinite(out).all()
