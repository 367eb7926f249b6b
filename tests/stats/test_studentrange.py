"""The studentized range against scipy and printed quantiles."""

import numpy as np
import pytest
from scipy.stats import studentized_range

from calibrate.stats.allpairs import range_quantile, range_tail
from gauge.errors import InvalidValueError


# Printed in tables of the studentized range, e.g. NIST/SEMATECH e-Handbook 7.4.7.1 (4.05); further
# digits from R 4.2.2, qtukey.
@pytest.mark.parametrize(
    ("level", "k", "df", "q"),
    [
        (0.95, 3, 12, 3.77292895940835),
        (0.95, 4, 16, 4.04609303678795),
        (0.95, 5, 20, 4.23185668293036),
        (0.95, 10, 60, 4.64632396767943),
        (0.99, 3, 12, 5.04593430310904),
    ],
)
def test_quantiles(level, k, df, q):
    assert range_quantile(level, k, df) == pytest.approx(q, abs=2e-6)


@pytest.mark.parametrize("k", [2, 5, 30])
@pytest.mark.parametrize("df", [1, 4, 40, np.inf])
def test_tail_is_scipys(k, df):
    q = np.array([0.3, 2.0, 4.5, 9.0, 80.0])
    assert range_tail(q, k, df) == pytest.approx(studentized_range.sf(q, k, df), abs=2e-6)


def test_ends():
    assert range_tail([0.0, np.inf], 3, 5).tolist() == [1.0, 0.0]
    with pytest.raises(InvalidValueError):
        range_tail([1.0], 1, 5)
