"""Agreement of raters against published worked examples; the source stands beside each."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import norm

from calibrate.stats.agreement import (
    agree,
    agreement_weights,
    conger_kappa,
    cross_table,
    fleiss_kappa,
    gwet_ac,
    icc,
    kappa_of_table,
    krippendorff_alpha,
    score_counts,
)
from calibrate.stats.estimate import Estimate
from gauge.errors import TooFewScoresError

REFERENCE = Path(__file__).parents[1] / "reference"


def _read(name: str, skip_column: bool = False) -> np.ndarray:
    data = np.genfromtxt(REFERENCE / name, delimiter=",", skip_header=1)
    return data[:, 1:] if skip_column else data


@pytest.fixture
def four_raters() -> np.ndarray:
    """Gwet (2014) Handbook of Inter-Rater Reliability: 12 subjects, 4 raters, scores 1-5, gaps.

    The same ratings as Krippendorff (2011), Computing Krippendorff's Alpha-Reliability, 4 x 12.
    """
    data = _read("gwet_raw4raters.csv")
    return np.where(np.isnan(data), -1, data - 1).astype(np.int64)


HOUT = [[7, 7, 2, 3], [2, 8, 3, 7], [1, 5, 4, 9], [2, 8, 9, 14]]
MANUAL = [[0, 4, 1], [0, 8, 0], [0, 1, 5]]
# Each: table, weights, kappa, standard error.
PUBLISHED_TABLES = {
    # Cohen (1960) and (1968), printed .492 and .348.
    "cohen": ([[88, 14, 18], [10, 40, 10], [2, 6, 12]], "identity", 0.492, None),
    # Fleiss, Levin & Paik (2003) Table 18.1: .68, SE .087 to .088.
    "fleiss_levin_paik": ([[75, 1, 4], [5, 4, 1], [0, 0, 10]], "identity", 0.676, 0.0877),
    # A 3 x 3 example in a statistics package's manual, N = 19: .4842 (.1380); with linear weights
    # .4701 (.1457).
    "manual": (MANUAL, "identity", 0.4842, 0.1380),
    "manual_linear": (MANUAL, "linear", 0.4701, 0.1457),
    # Hout et al. (1987), N = 91; values computed with R vcd: .1293, .2374, .3320.
    "hout": (HOUT, "identity", 0.1293, 0.0686),
    "hout_linear": (HOUT, "linear", 0.2374, 0.0783),
    "hout_quadratic": (HOUT, "quadratic", 0.3320, 0.0973),
}


def standard_error(kappa: Estimate) -> float:
    return (kappa.high - kappa.low) / 2 / norm.ppf(0.975)


@pytest.mark.parametrize("name", PUBLISHED_TABLES)
def test_kappa_of_published_tables(name: str) -> None:
    table, weights, value, se = PUBLISHED_TABLES[name]
    kappa = kappa_of_table(np.array(table), weights)
    assert kappa.value == pytest.approx(value, abs=6e-4)
    if se is not None:
        assert standard_error(kappa) == pytest.approx(se, abs=6e-5)


def test_weighted_kappa_of_fleiss_cohen_everitt() -> None:
    """Fleiss, Cohen & Everitt (1969): .507 with the weights of the paper, SE from R psych."""
    weights = np.array([[1, 0, 0.4444], [0, 1, 0.6667], [0.4444, 0.6667, 1]])
    kappa = kappa_of_table(np.array([[106, 10, 4], [22, 28, 10], [2, 12, 6]]), weights)
    assert kappa.value == pytest.approx(0.507069964866798, abs=1e-12)
    assert standard_error(kappa) == pytest.approx(0.0569938847032576, abs=1e-12)


def test_kappa_keeps_a_score_that_nobody_used() -> None:
    """Open data `anxiety` (R package irr): score 5 is unused; on 1-6 the values are these."""
    ratings = _read("anxiety.csv", skip_column=True).astype(int) - 1
    table = cross_table(ratings[:, 1], ratings[:, 2], 6)
    assert kappa_of_table(table, "linear").value == pytest.approx(0.126213592233009, abs=1e-12)
    assert kappa_of_table(table, "quadratic").value == pytest.approx(0.22979797979798, abs=1e-12)
    # Dropping the level gives what an undeclared scale would print, and is not our answer.
    used = np.delete(np.delete(table, 4, 0), 4, 1)
    assert kappa_of_table(used, "quadratic").value == pytest.approx(0.2520325, abs=1e-7)


def test_fleiss_kappa_of_1971() -> None:
    """Fleiss (1971): 30 patients, 6 raters, 5 diagnoses, printed .430."""
    counts = _read("fleiss1971_6x30_counts.csv")
    assert fleiss_kappa(counts, np.eye(5)) == pytest.approx(0.4302445201, abs=1e-10)


def test_fleiss_kappa_of_fourteen_raters() -> None:
    """A worked example with 14 raters and 10 subjects, printed .210."""
    counts = _read("fleiss_14x10.csv")
    assert fleiss_kappa(counts, np.eye(5)) == pytest.approx(0.2099307044, abs=1e-10)


def test_krippendorff_alpha(four_raters: np.ndarray) -> None:
    """Krippendorff (2011), 4 observers and 12 units: printed .743, .815, .849."""
    counts = score_counts(four_raters, 5)
    assert krippendorff_alpha(counts, "nominal") == pytest.approx(0.743421052631579, abs=1e-12)
    assert krippendorff_alpha(counts, "ordinal") == pytest.approx(0.8153875037548814, abs=1e-12)
    assert krippendorff_alpha(counts, "interval") == pytest.approx(0.8491071428571428, abs=1e-12)


def test_krippendorff_alpha_of_two_observers() -> None:
    """Krippendorff (2011), two observers: binary data .095, nominal data .692."""
    a = [0, 1, 0, 0, 0, 0, 0, 0, 1, 0]
    b = [1, 1, 1, 0, 0, 1, 0, 0, 0, 0]
    counts = score_counts(np.array([a, b]).T, 2)
    assert krippendorff_alpha(counts, "nominal") == pytest.approx(0.095, abs=5e-4)
    first, second = "aabbdcccedda", "babbbccceddd"
    ranks = np.array([["abcde".index(x) for x in word] for word in (first, second)]).T
    assert krippendorff_alpha(score_counts(ranks, 5), "nominal") == pytest.approx(0.692, abs=5e-4)


# Gwet (2014), printed for unweighted coefficients; weighted ones computed with irrCAC 0.4.4.
GWET = {
    "identity": (0.7754440681, 0.7611692754, 0.7628174413),
    "linear": (0.8587391364, 0.8179447671, 0.8137763200),
    "quadratic": (0.9140007236, 0.8649350649, 0.8577106562),
    "ordinal": (0.8989397699, 0.8502061894, 0.8436595252),
}


@pytest.mark.parametrize("kind", GWET)
def test_gwet_fleiss_and_conger(four_raters: np.ndarray, kind: str) -> None:
    weights = agreement_weights(5, kind)
    counts = score_counts(four_raters, 5)
    got = (
        gwet_ac(counts, weights),
        fleiss_kappa(counts, weights),
        conger_kappa(four_raters, 5, weights),
    )
    assert got == pytest.approx(GWET[kind], abs=1e-9)


def test_intervals_are_as_wide_as_the_published_standard_errors(four_raters: np.ndarray) -> None:
    """Gwet (2014) prints SE .14295 for AC1 and .14557 for alpha; a jackknife must be near them."""
    from scipy.stats import t

    result = agree(four_raters, 5, level=0.5)
    half = float(t.ppf(0.75, 11))
    for name, printed in (("gwet_ac1", 0.14295), ("alpha_nominal", 0.14557)):
        estimate = result.coefficients[name]
        assert (estimate.high - estimate.low) / 2 / half == pytest.approx(printed, rel=0.25)


def test_icc_of_shrout_and_fleiss() -> None:
    """Shrout & Fleiss (1979): printed .17 .29 .71 .44 .62 .91; digits from R psych."""
    data = _read("icc_shrout_fleiss.csv")
    scores = data[:, 2].reshape(6, 4)
    result = icc(scores)
    assert result["one_way"] == pytest.approx(0.165741768405475, abs=1e-12)
    assert result["agreement"] == pytest.approx(0.289763779527559, abs=1e-12)
    assert result["consistency"] == pytest.approx(0.714840714840715, abs=1e-12)
    assert result["one_way_mean"] == pytest.approx(0.442797133679269, abs=1e-12)
    assert result["agreement_mean"] == pytest.approx(0.620050547598989, abs=1e-12)
    assert result["consistency_mean"] == pytest.approx(0.909315542377069, abs=1e-12)


def test_no_shared_berry_is_refused() -> None:
    with pytest.raises(TooFewScoresError):
        agree(np.array([[0, -1], [-1, 1]]), 2)


def test_full_agreement_on_one_score_is_undefined_not_perfect() -> None:
    result = agree(np.zeros((5, 2), dtype=np.int64), 3)
    assert result.coefficients["weighted_kappa"].value is None
    assert result.coefficients["alpha_ordinal"].value is None
    assert result.exact == 1


@settings(max_examples=50, deadline=None)
@given(arrays(np.int64, (12, 2), elements=st.integers(0, 4)))
def test_conger_is_cohen_for_two_raters(ratings: np.ndarray) -> None:
    cohen = kappa_of_table(cross_table(ratings[:, 0], ratings[:, 1], 5), "quadratic").value
    conger = conger_kappa(ratings, 5, agreement_weights(5, "quadratic"))
    assert conger == (None if cohen is None else pytest.approx(cohen, abs=1e-9))


@settings(max_examples=50, deadline=None)
@given(arrays(np.int64, (10, 3), elements=st.integers(-1, 4)), st.permutations(range(3)))
def test_order_of_raters_and_reversal_of_the_scale_change_nothing(
    ratings: np.ndarray, order: list[int]
) -> None:
    if ((ratings >= 0).sum(axis=1) >= 2).sum() == 0:
        return
    mirrored = np.where(ratings[:, order] >= 0, 4 - ratings[:, order], -1)
    for metric in ("nominal", "ordinal", "interval"):
        one = krippendorff_alpha(score_counts(ratings, 5), metric)
        other = krippendorff_alpha(score_counts(mirrored, 5), metric)
        assert one == (None if other is None else pytest.approx(other, abs=1e-9))
