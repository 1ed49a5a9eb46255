"""The learning on invented shops of known lives; docs/part-lives.md has the long run."""

import numpy as np
import pytest

from benchmarks.part_lives import draw_removals, draw_shops, halved_after, measure_at_work, run_trials
from maintenance.wear.learning import Weibull
from maintenance.wear.life import Life

BRASS = Life(0.17, 0.055, 0.49)


def test_the_band_of_eighty_per_cent_holds_eighty_per_cent_and_halves_after_a_few_removals():
    rng = np.random.default_rng(11)
    found = list(run_trials(BRASS, draw_shops(BRASS, 60, rng), [0, 1, 2, 3, 4, 8], rng))
    for trial in found:
        assert trial.covered == pytest.approx(0.8, abs=0.07), trial
    bands = [trial.typical_band for trial in found]
    assert bands == sorted(bands, reverse=True)
    assert halved_after(found) in (2, 3, 4)


def test_leaving_out_the_parts_in_use_would_promise_too_little():
    rng = np.random.default_rng(12)
    left_out, counted = measure_at_work(BRASS, draw_shops(BRASS, 60, rng), 3, 2 * BRASS.median, rng)
    assert left_out < 0.75
    assert counted == pytest.approx(0.8, abs=0.06)


def test_a_trial_shop_lives_by_its_truth():
    truth = Weibull(2, 3)
    ages = [record.age for record in draw_removals(truth, 4000, np.random.default_rng(13)) if record.worn]
    assert len(ages) == pytest.approx(4000 * 2 / 3, rel=0.05)
    assert np.mean(np.array(ages) < truth.age_when(0.5)) == pytest.approx(0.5, abs=0.03)
