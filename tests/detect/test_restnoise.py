"""Noise at rest against the standard deviation that the readings were drawn with."""

from __future__ import annotations

import math
from statistics import median_grouped

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from gauge.detect.restnoise import KEPT, _median, noise_of, spread_of


def found(values, step_newton=1.0, block=4):
    """Noise from readings in blocks."""
    spreads, before = [], []
    for i in range(0, len(values), block):
        spreads.append(spread_of(values[i : i + block], before, 1))
        before = values[i : i + block][-3:]
    return noise_of(spreads, step_newton).plain_newton


@pytest.mark.parametrize("shared", [0.0, 0.5])
@pytest.mark.parametrize("noise_newton", [1.0, 1.3, 1.6, 2.2, 5.0])
def test_noise_of_few_display_steps_is_not_understated(noise_newton, shared):
    """Variance of a rounded normal variable: sigma^2 + step^2 / 12 (Sheppard 1898)."""
    rng = np.random.default_rng([int(10 * noise_newton), int(10 * shared)])
    ratios = []
    for _ in range(300):
        white = rng.standard_normal(140)
        run = math.sqrt(1 - shared**2) * lfilter([1.0], [1.0, -shared], white)[100:]
        shown = np.round(noise_newton * run + rng.uniform()).tolist()
        ratios.append(found(shown) / math.hypot(noise_newton, 12**-0.5))
    assert 0.88 <= np.mean(ratios) <= 1.12
    assert np.quantile(ratios, 0.02) > 0.55


@given(st.lists(st.integers(3, 20), min_size=1, max_size=40))
def test_grouped_median_is_that_of_the_standard_library(numbers):
    ordered = sorted(float(number) for number in numbers)
    assert _median(ordered, 1.0) == pytest.approx(median_grouped(ordered, 1.0))


def test_grouped_median_of_zeros_is_a_quarter_of_a_step():
    assert _median([0.0, 0.0, 0.0], 0.01) == pytest.approx(0.0025)
    assert _median([0.1, 0.2, 0.3], 0.0) == pytest.approx(0.2)


def test_a_long_block_keeps_few_readings():
    assert len(spread_of([0.0] * 500, [], 1).values) <= KEPT + 1
