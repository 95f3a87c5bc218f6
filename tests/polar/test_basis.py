"""Splines and the penalised fit against general libraries and closed forms."""

import numpy as np
import pytest
from published_cases import published

from sailanalysis.polar.basis import Basis, basis_for, cardinal_weights
from sailanalysis.polar.solve import Prior, huber, solve


def test_cardinal_weights_are_scipys_b_splines():
    from scipy.interpolate import BSpline

    x = np.linspace(0.0, 5.999, 61)
    first, weight = cardinal_weights(x)
    knots = np.arange(-3.0, 10.0)
    for n, (k, w) in enumerate(zip(first, weight, strict=True)):
        for j in range(4):
            spline = BSpline.basis_element(knots[k + j:k + j + 5], extrapolate=False)
            assert w[j] == pytest.approx(np.nan_to_num(float(spline(x[n]))), abs=1e-12)


def test_surface_is_even_at_head_to_wind_and_dead_downwind():
    basis = Basis(12.0, 6.0, 3.0, 4)
    rng = np.random.default_rng(0)
    beta = rng.normal(size=basis.size)
    step = 1e-4
    for angle in (0.0, 180.0):
        at = [float((basis.design([10.0], [angle + s]) @ beta)[0]) if angle == 0 else
              float((basis.design([10.0], [angle - s]) @ beta)[0]) for s in (0.0, step, 2 * step)]
        slope = (at[1] - at[0]) / step
        bend = (at[2] - 2 * at[1] + at[0]) / step**2
        assert abs(slope) < abs(bend) * 2 * step + 1e-6  # flat but for its curvature


def test_design_rows_sum_to_one():
    basis = basis_for(np.array([4.2, 17.9]), 12.0, 3.0)
    assert (basis.tws_low_kn, basis.tws_intervals) == (3.0, 5)
    rng = np.random.default_rng(1)
    rows = basis.design(rng.uniform(0, 25, 300), rng.uniform(-180, 180, 300))
    assert np.allclose(np.asarray(rows.sum(axis=1)).ravel(), 1.0)


def test_roughness_ignores_a_plane_in_wind_speed_and_a_constant_in_angle():
    basis = Basis(12.0, 0.0, 3.0, 5)
    over_angle, over_speed = basis.penalties()
    flat = np.ones(basis.size)
    sloped = np.repeat(np.arange(basis.speeds, dtype=float), basis.angles)
    assert np.allclose(over_angle @ flat, 0) and np.allclose(over_speed @ flat, 0)
    assert np.allclose(over_speed @ sloped, 0)


def test_a_given_penalty_is_ridge_regression():  # closed form: (X'X/v + S)^-1 X'y/v
    from scipy.sparse import csr_matrix

    rng = np.random.default_rng(2)
    x = rng.normal(size=(400, 6))
    y = x @ np.arange(6.0) + rng.normal(size=400)
    s = np.diag(np.arange(1.0, 7.0))
    fit = solve(csr_matrix(x), y, np.ones(400), None, [Prior(0, [s], [3.0], [False])],
                pseudo=lambda r, scale: (r, 1.0), iterations=8)
    variance = fit.noise_variance
    exact = np.linalg.solve(x.T @ x / variance + 3 * s, x.T @ y / variance)
    assert np.allclose(fit.beta, exact, atol=1e-8)
    assert np.allclose(fit.covariance, np.linalg.inv(x.T @ x / variance + 3 * s), atol=1e-9)


def test_huber_location_is_statsmodels():
    sm = pytest.importorskip("statsmodels.api")
    from scipy.sparse import csr_matrix

    rng = np.random.default_rng(3)
    x = np.column_stack([np.ones(500), rng.normal(size=500)])
    y = x @ [1.0, 2.0] + rng.standard_t(2, size=500)
    fit = solve(csr_matrix(x), y, np.ones(500), None, [Prior(0, [np.eye(2)], [1e-2], [False])],
                iterations=60)
    peer = sm.RLM(y, x, M=sm.robust.norms.HuberT()).fit()
    assert np.allclose(fit.beta, peer.params, atol=0.01)  # scales differ in the third digit


def test_leg_effects_are_the_mixed_models():
    """Rails data (mixed model by REML): mean 66.5, 24.805 between, 4.021 within rails."""
    import json

    from scipy.sparse import csr_matrix

    row = published("statistics_cases.csv", case="rail_mean")[0]
    rails = json.loads(row["inputs"])
    y = np.concatenate([np.asarray(v, float) for v in rails.values()]) / 66.5
    leg = np.repeat(np.arange(len(rails)), [len(v) for v in rails.values()])
    between = float(published("statistics_cases.csv", case="rail_sd_group")[0]["value"]) / 66.5
    within = float(published("statistics_cases.csv", case="rail_sd_resid")[0]["value"]) / 66.5

    # the noise known and the mean all but free
    fit = solve(csr_matrix(np.ones((y.size, 1))), y, np.ones(y.size), leg,
                [Prior(0, [np.eye(1)], [1e-6], [False])],
                pseudo=lambda r, scale: (r, within**2), leg_sd=0.1, iterations=300)
    assert fit.beta[0] == pytest.approx(1.0, abs=1e-3)
    # the weak prior of three legs at 2 % pulls the spread of six rails down: sqrt(5 / 8)
    assert fit.leg_sd == pytest.approx(between * np.sqrt(5 / 8), rel=0.05)
    means = np.array([np.mean(v) for v in rails.values()]) / 66.5
    shrink = fit.leg_sd**2 / (fit.leg_sd**2 + fit.noise_variance / 3)
    assert np.allclose(fit.leg_effect, shrink * (means - fit.beta[0]), atol=1e-3)


def test_smoothing_strength_is_remls():
    """One smooth curve: the strength found maximises the restricted likelihood (by grid)."""
    from scipy.sparse import csr_matrix

    rng = np.random.default_rng(4)
    basis = Basis(180.0, 0.0, 1.0, 20)
    tws = rng.uniform(0.01, 19.99, 300)
    y = np.sin(tws / 3) + rng.normal(0, 0.3, 300)
    x = np.asarray(basis.design(tws, np.zeros(300)).todense())[:, ::basis.angles]
    penalty = basis.speed_penalty
    variance = 0.09
    ridge = 1e-4 * np.eye(x.shape[1])

    def reml(strength):
        s = strength * penalty + ridge
        h = x.T @ x / variance + s
        beta = np.linalg.solve(h, x.T @ y / variance)
        fit = np.sum((y - x @ beta) ** 2) / variance + beta @ s @ beta
        return -0.5 * fit + 0.5 * np.linalg.slogdet(s)[1] - 0.5 * np.linalg.slogdet(h)[1]

    grid = np.exp(np.linspace(np.log(0.01), np.log(1e4), 400))
    best = grid[np.argmax([reml(g) for g in grid])]
    prior = Prior(0, [penalty, np.eye(x.shape[1])], [1.0, 1e-4], [True, False])
    found = solve(csr_matrix(x), y, np.ones(300), None, [prior],
                  pseudo=lambda r, scale: (r, variance), iterations=300)
    used = found.noise_variance  # the fit widens the noise by its own freedom
    assert used == pytest.approx(variance, rel=0.2)
    assert np.log(prior.strength[0] / best) == pytest.approx(0.0, abs=0.5)


def test_huber_pseudo_data_of_clean_noise():
    rng = np.random.default_rng(5)
    pushed, variance = huber(rng.normal(size=100_000), 1.0)
    assert variance == pytest.approx(1 / 0.95, rel=0.02)  # 95 % efficiency at the normal
    assert np.mean(pushed) == pytest.approx(0.0, abs=0.01)
