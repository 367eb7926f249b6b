"""Combinations of many levels are numbered rightly, also where their product outgrows 64 bits."""

import numpy as np

from calibrate.data.factor import Factor, combined


def test_combinations_are_those_of_numpys_rows():
    rng = np.random.default_rng(1)
    codes = [
        rng.integers(-1, high, 500).astype(np.int32) for high in (3, 2**31 - 2, 2**31 - 2, 9, 4)
    ]
    for code in codes:
        code[1::2] = code[::2]
    expected = np.unique(np.column_stack(codes), axis=0, return_inverse=True)[1].ravel()
    factors = [Factor(code=code, labels=()) for code in codes]
    assert combined(factors, 500).tolist() == expected.tolist()
    assert combined([], 3).tolist() == [0, 0, 0]
