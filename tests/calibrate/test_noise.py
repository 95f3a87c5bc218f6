"""Strengths of variation estimated from a series whose strengths are known."""

import numpy as np
import pytest
from pytest import approx

from sailanalysis.calibrate.noise import Process, Scale, Variation


def _made(rng, time, sds, white, constant=3.0):
    lag = np.abs(time[:, None] - time[None, :])
    total = np.full(lag.shape, constant**2)
    for tau, sd in sds:
        total += sd**2 * np.exp(-lag / tau)
    total[np.diag_indices(time.size)] += white**2
    return np.linalg.cholesky(total + 1e-10 * np.eye(time.size)) @ rng.normal(size=time.size)


def test_strengths_are_found():
    rng = np.random.default_rng(5)
    time = np.arange(0.0, 300 * 60.0, 60.0)
    kind = Variation(3.0, (Scale(120.0, 1.0), Scale(1200.0, 1.0)), white_sd=1.0, dof=1.0)
    found = []
    for _ in range(6):
        process = Process(kind, time, np.full(time.size, 30.0))
        series = _made(rng, time, ((120.0, 0.5), (1200.0, 2.0)), 0.3)
        for _ in range(40):
            process.step([series], [np.zeros((time.size, 1))])
            process.refresh()
        found.append(np.sqrt(process.variance))
    # Quick rung and white noise share what two samples a time scale can show.
    assert np.mean([f[1] for f in found]) == approx(2.0, rel=0.3)
    assert np.mean([np.hypot(f[0], f[2]) for f in found]) == approx(np.hypot(0.5, 0.3), rel=0.2)


def test_the_likelihood_grows_with_every_step():
    rng = np.random.default_rng(2)
    time = np.sort(rng.uniform(0, 7200.0, 120))
    series = _made(rng, time, ((600.0, 1.5),), 0.5)
    # With no prior weight the step is the published one, which never falls.
    process = Process(Variation(3.0, (Scale(600.0, 0.3),), 2.0, dof=1e-9), time,
                      np.full(time.size, 30.0))

    def likelihood():
        sign, logdet = np.linalg.slogdet(process.inverse)
        assert sign > 0
        return 0.5 * logdet - 0.5 * float(series @ process.inverse @ series)

    last = likelihood()
    for _ in range(15):
        process.step([series], [np.zeros((time.size, 1))])
        process.refresh()
        now = likelihood()
        assert now >= last - 1e-9
        last = now


def test_an_outlier_shows_against_all_others():
    time = np.arange(0.0, 3600.0, 60.0)
    series = np.zeros(time.size)
    series[30] = 5.0
    process = Process(Variation(3.0, (Scale(600.0, 0.5),), 0.5), time, np.full(time.size, 30.0))
    off = np.abs(process.leave_one_out(series))
    assert int(np.argmax(off)) == 30
    assert off[30] > 2 * np.sort(off)[-2]


@pytest.mark.parametrize("smooth", [False, True])
def test_prediction_at_the_blocks_keeps_their_values_when_noise_is_small(smooth):
    time = np.arange(0.0, 3600.0, 120.0)
    series = np.sin(time / 900.0)
    process = Process(Variation(3.0, (Scale(1800.0, 1.0, smooth),), 1e-3), time,
                      np.full(time.size, 30.0))
    cross, variance = process.covariance_of(time)
    gain = cross @ process.inverse
    assert gain @ series == approx(series, abs=1e-3)
    assert np.all(variance - np.sum(gain * cross, axis=1) < 1e-4)
