"""Learnt lives against published Weibull fits and SciPy's own; (p) published, (c) computed in checks.md."""

import numpy as np
import pytest
from scipy.optimize import minimize, minimize_scalar
from scipy.stats import CensoredData, weibull_min

from maintenance.wear.learning import Record, Weibull, log_likelihood
from maintenance.wear.life import probability_used_up

# NIST/SEMATECH e-Handbook 8.4.1.3: ten failures, ten more unfailed at 500 h (p).
FAILED_H = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
NIST = [*(Record(age, True) for age in FAILED_H), *[Record(500, False)] * 10]
# Thirty failures, none censored: alpha 51.858, beta 2.80086, log-likelihood -129.063
# (fixtures/reference/wear_values.csv, "Weibull complete check 3", package documentation, p).
COMPLETE = [
    *[58, 75, 36, 52, 63, 65, 22, 17, 28, 64, 23, 40, 73, 45, 52],
    *[36, 52, 60, 13, 55, 82, 55, 34, 57, 23, 42, 66, 35, 34, 25],
]


def most_likely(records: list[Record]) -> tuple[Weibull, float]:
    found = minimize(
        lambda logs: -log_likelihood(np.exp(logs[0]), np.exp(logs[1]), records)[0],
        [np.log(np.mean([record.age for record in records])), 0.5],
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-11},
    )
    return Weibull(*(float(number) for number in np.exp(found.x))), -float(found.fun)


def test_nist_censored_example():
    best, log_lik = most_likely(NIST)
    assert best.eta == pytest.approx(606.5280, abs=0.01)  # p
    assert best.beta == pytest.approx(1.7208, abs=1e-4)  # p
    assert log_lik == pytest.approx(-75.135, abs=1e-3)  # p


def test_percentiles_that_follow_from_it():
    # wear_values.csv, "NIST Weibull 8.4.1.3 percentiles", derived from eta and beta.
    best, _ = most_likely(NIST)
    for share, age in {0.01: 41.87, 0.05: 107.95, 0.1: 164.02, 0.5: 490.17, 0.9: 984.79}.items():
        assert best.age_when(share) == pytest.approx(age, abs=0.02)
    assert 1 - best.used_up_by(300) == pytest.approx(0.74246, abs=1e-4)
    assert 1 - probability_used_up(best, 300, 100, sound_at=300) == pytest.approx(0.82634, abs=1e-4)


def test_weibayes_with_a_shape_of_two():
    # eta = (sum of t^beta / r)^(1/beta): 580.773 (c).
    best = minimize_scalar(
        lambda eta: -log_likelihood(eta, 2.0, NIST)[0], bounds=(100, 2000), method="bounded"
    )
    assert best.x == pytest.approx(580.773, abs=0.01)


def test_complete_example():
    best, log_lik = most_likely([Record(age, True) for age in COMPLETE])
    assert (best.eta, best.beta) == (pytest.approx(51.858, abs=1e-3), pytest.approx(2.80086, abs=1e-4))
    assert log_lik == pytest.approx(-129.063, abs=1e-3)


def test_scipy_gives_the_same():
    data = CensoredData(uncensored=FAILED_H, right=[500] * 10)
    beta, _, eta = weibull_min.fit(data, floc=0)
    best, log_lik = most_likely(NIST)
    assert (best.eta, best.beta) == (pytest.approx(eta, rel=1e-3), pytest.approx(beta, rel=1e-3))
    lives = weibull_min(beta, scale=eta)
    assert log_lik == pytest.approx(lives.logpdf(FAILED_H).sum() + 10 * lives.logsf(500), abs=1e-3)
