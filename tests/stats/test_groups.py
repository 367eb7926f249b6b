"""Comparison of selections against NIST, printed examples and reference libraries."""

import csv
import itertools
import re
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.formula.api import ols

from calibrate.stats.allpairs import all_pairs, letters
from calibrate.stats.groups import Layout, Variance, fit_means, shared_variances
from calibrate.stats.proportions import fit_shares
from gauge.errors import InvalidValueError, TooFewScoresError

REFERENCE = Path(__file__).parents[1] / "reference"


def groups_of(name):
    with (REFERENCE / name).open() as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return np.array([int(r["g"]) - 1 for r in rows]), np.array([float(r["y"]) for r in rows])


def names(k):
    return [f"R-{i}" for i in range(1, k + 1)]


def anova(y, group, k, blocks=()):
    """Fit the means; the fit, its residual variance and its F."""
    fit = fit_means(y, Layout.of(group, names(k), blocks))
    return fit, fit.variance, fit.f


def compare_means(y, group, names, blocks=()):
    return fit_means(y, Layout.of(group, names, blocks)).compare()


def compare_proportions(hits, n, group, names, blocks=()):
    return fit_shares(hits, n, Layout.of(group, names, blocks)).compare()


def digits(found, certified):
    """Correct digits, as NIST StRD counts them."""
    return -np.log10(abs(found - certified) / abs(certified)) if found != certified else 16


def test_nist_strd_sirstv():
    # Certified values, NIST StRD, ANOVA, SiRstv.
    group, y = groups_of("nist_sirstv.csv")
    found, within, f = anova(y, group, 5)
    assert (found.layout.k - 1, within.df) == (4, 20)
    assert digits(found.ss_between, 5.11462616e-02) > 12
    assert digits(found.ss_between / 4, 1.27865654e-02) > 12
    assert digits(within.value * within.df, 2.16636560e-01) > 12
    assert digits(f, 1.18046237440255) > 12
    assert digits(np.sqrt(within.value), 1.04076068334656e-01) > 12
    r2 = found.ss_between / (found.ss_between + within.value * within.df)
    assert digits(r2, 1.90999039051129e-01) > 12


@pytest.mark.parametrize(
    ("name", "digits_least"), [("SmLs01", 13), ("SmLs04", 9), ("SmLs07", 3), ("AtmWtAg", 8)]
)
def test_nist_strd_harder_sets(name, digits_least):
    """Sets with up to 13 leading digits in common; the files come with scipy's own tests."""
    try:
        text = files("scipy.stats").joinpath(f"tests/data/nist_anova/{name}.dat").read_text()
    except FileNotFoundError:
        pytest.skip("this scipy was installed without its test data")
    lines = text.splitlines()
    certified = next(line for line in lines if line.startswith(("Between", "Instrument", "Treat")))
    f = float(certified.split()[-1])
    body = lines[int(re.search(r"Data\s+\(lines (\d+)", text)[1]) - 1 :]
    rows = [line.split() for line in body if line.strip()]
    group = np.array([int(r[0]) - 1 for r in rows])
    y = np.array([float(r[1]) for r in rows])
    assert digits(anova(y, group, int(group.max()) + 1)[2], f) > digits_least


def test_nist_handbook_7_4_3_3():
    # NIST/SEMATECH e-Handbook 7.4.3.3: three levels of five; F = 9.59.
    levels = [[6.9, 5.4, 5.8, 4.6, 4.0], [8.3, 6.8, 7.8, 9.2, 6.5], [8.0, 10.5, 8.1, 6.9, 9.3]]
    y, group = np.concatenate(levels), np.repeat([0, 1, 2], 5)
    found, within, f = anova(y, group, 3)
    assert round(found.ss_between, 3) == 27.897
    assert round(within.value * within.df, 3) == 17.452
    assert round(f, 2) == 9.59
    assert compare_means(y, group, names(3)).p == pytest.approx(0.0032482226)


def test_nist_handbook_7_4_7_1_tukey():
    group, y = groups_of("nist_tukey.csv")
    found = compare_means(y, group, names(4))
    assert anova(y, group, 4)[1].value == pytest.approx(1.33075)
    printed = {  # pair: (limits printed there, two digits), second minus first
        ("R-1", "R-2"): (0.29, 4.47),
        ("R-1", "R-3"): (1.13, 5.31),
        ("R-2", "R-3"): (-1.25, 2.93),
        ("R-2", "R-4"): (-4.31, -0.13),
        ("R-3", "R-4"): (-5.15, -0.97),
    }
    p = [0.0227934, 0.0022108, 0.9961211, 0.6644649, 0.0351545, 0.0034506]  # R 4.2.2, TukeyHSD
    for pair in found.pairs:
        if (pair.first, pair.second) in printed:
            second_less_first = -pair.difference.high, -pair.difference.low
            assert tuple(round(x, 2) for x in second_less_first) == printed[pair.first, pair.second]
    assert [pair.p for pair in found.pairs] == pytest.approx(p, abs=2e-6)
    # Groups 2 and 3 do not differ, 1 and 4 do not; each of one differs from each of the other.
    assert found.letters == ("b", "a", "a", "b")


@pytest.mark.parametrize(
    ("data", "printed"),
    [
        # Printed by SAS, as quoted in scipy's tests of tukey_hsd; its quantile is rounded.
        (
            ([24.5, 23.5, 26.4, 27.1, 29.9], [28.4, 34.2, 29.5, 32.2, 30.1],
             [26.1, 28.3, 24.3, 26.2, 27.8]),
            {("R-1", "R-2"): (-8.249116943, -0.9508830568),
             ("R-2", "R-3"): (0.6908830568, 7.989116943)},
        ),
        (
            ([24.5, 23.5, 26.28, 26.4, 27.1, 29.9, 30.1, 30.1], [28.4, 34.2, 29.5, 32.2, 30.1],
             [26.1, 28.3, 24.3, 26.2, 27.8]),
            {("R-1", "R-2"): (-7.022070736, -0.2679292645),
             ("R-2", "R-3"): (0.5934764007, 8.086523599)},
        ),
    ],
)  # fmt: skip
def test_tukey_kramer_printed(data, printed):
    group = np.repeat([0, 1, 2], [len(d) for d in data])
    for pair in compare_means(np.concatenate(data), group, names(3)).pairs:
        if (pair.first, pair.second) in printed:
            assert (pair.difference.low, pair.difference.high) == pytest.approx(
                printed[pair.first, pair.second], abs=1e-4
            )


@given(st.lists(st.integers(2, 9), min_size=2, max_size=4), st.integers(0, 10_000))
@settings(max_examples=10, deadline=None)
def test_means_are_scipys(sizes, seed):
    rng = np.random.default_rng(seed)
    data = [rng.normal(rng.normal(0, 1), 1, n) for n in sizes]
    y, group, k = np.concatenate(data), np.repeat(range(len(sizes)), sizes), len(sizes)
    found = compare_means(y, group, names(k))
    other = scipy.stats.tukey_hsd(*data)
    limits = other.confidence_interval(0.95)
    f, p = scipy.stats.f_oneway(*data)
    assert (anova(y, group, k)[2], found.p) == pytest.approx((f, p), rel=1e-8)
    for pair in found.pairs:
        i, j = int(pair.first[2:]) - 1, int(pair.second[2:]) - 1
        assert pair.p == pytest.approx(other.pvalue[i, j], abs=5e-6)
        assert (pair.difference.low, pair.difference.high) == pytest.approx(
            (limits.low[i, j], limits.high[i, j]), abs=1e-4
        )


def test_blocks_are_taken_out_as_in_statsmodels():
    import pandas as pd

    rng = np.random.default_rng(4)
    group, block = np.tile([0, 1, 2], 8), np.repeat(range(4), 6)
    keep = rng.random(24) > 0.15  # unbalanced
    group, block = group[keep], block[keep]
    y = group * 0.3 + block * 1.0 + rng.normal(0, 0.2, group.size)
    found = compare_means(y, group, names(3), blocks=[block])
    model = ols("y ~ C(group) + C(block)", pd.DataFrame({"y": y, "group": group, "block": block}))
    fit = model.fit()
    within = anova(y, group, 3, [block])[1]
    assert within.value == pytest.approx(fit.mse_resid)
    assert within.df == fit.df_resid
    gaps = {(p.first, p.second): p.difference.value for p in found.pairs}
    assert -gaps["R-1", "R-2"] == pytest.approx(fit.params["C(group)[T.1]"])
    assert -gaps["R-1", "R-3"] == pytest.approx(fit.params["C(group)[T.2]"])
    null = ols("y ~ C(block)", model.data.frame).fit()
    assert found.p == pytest.approx(fit.compare_f_test(null)[1])
    # Without the block the same selections cannot be separated.
    assert compare_means(y, group, names(3)).p > 0.1 > found.p


def test_one_unit_a_group_has_no_letters():
    with pytest.raises(TooFewScoresError, match="no more than one clamshell"):
        compare_means([1, 2, 3], [0, 1, 2], names(3))
    with pytest.raises(TooFewScoresError, match="nothing to compare"):
        compare_means([1, 2, 3], [0, 0, 0], names(1))
    # A group of one has its place beside groups of more.
    assert len(compare_means([1, 2, 1.5, 9], [0, 0, 0, 1], names(2)).letters) == 2


def verdicts(k):
    verdict = st.integers(0, 2 ** (k * (k - 1) // 2) - 1)
    return st.tuples(st.just(k), verdict, st.permutations(range(k)))


@given(st.integers(1, 9).flatmap(verdicts))
@settings(max_examples=300)
def test_a_common_letter_if_and_only_if_no_difference(drawn):
    k, bits, order = drawn
    differ = np.zeros((k, k), bool)
    for at, (i, j) in enumerate(itertools.combinations(range(k), 2)):
        differ[i, j] = differ[j, i] = bool(bits >> at & 1)
    given_ = letters(differ, order)
    for i in range(k):
        assert given_[i]
        for j in range(i + 1, k):
            assert bool(set(given_[i]) & set(given_[j])) == (not differ[i, j])
    assert "a" in given_[order[0]]
    # No letter is idle: without it, some pair would lose its only common letter.
    for letter in set("".join(given_)):
        held = [i for i in range(k) if letter in given_[i]]
        assert any(
            (set(given_[i]) & set(given_[j])) == {letter} for i in held for j in held if i <= j
        )


def test_letters_refuse_what_is_no_verdict():
    with pytest.raises(InvalidValueError):
        letters([[False, True], [False, False]])
    with pytest.raises(InvalidValueError):
        letters([[True]])


def test_letters_go_beyond_the_alphabet():
    k = 60
    given_ = letters(~np.eye(k, dtype=bool))
    assert len(set(given_)) == k


def test_the_variance_of_strata_is_shared_unless_bartletts_test_parts_them():
    rng = np.random.default_rng(3)
    draws = [rng.normal(0, sd, 9) for sd in (1.0, 1.2, 0.9)]
    own = [Variance(value=float(y.var(ddof=1)), df=8) for y in draws]
    shared, how = shared_variances(own)
    p = scipy.stats.bartlett(*draws).pvalue
    assert f"p = {p:.2g}" in how
    assert {one.df for one in shared} == {24}
    assert shared[0].value == pytest.approx(np.mean([one.value for one in own]))
    # Clamshells that come back in all three strata are counted once.
    assert shared_variances(own, distinct=1 / 3)[0][0].df == pytest.approx(8)
    apart, how = shared_variances([*own[:2], Variance(value=40.0, df=8)])
    assert apart[0] == own[0]
    assert "a variance each" in how


def test_two_blocks_are_taken_out_together_of_means_and_shares_alike():
    import pandas as pd

    rng = np.random.default_rng(14)
    group, site, year = (np.repeat(range(n), 24 // n) for n in (3, 2, 2))
    rng.shuffle(site)
    rng.shuffle(year)
    y = 0.3 + 0.1 * group + 0.2 * site - 0.15 * year + rng.normal(0, 0.02, 24)
    found = compare_means(y, group, names(3), blocks=[site, year])
    data = pd.DataFrame({"y": y, "group": group, "site": site, "year": year})
    fit = ols("y ~ C(group) + C(site) + C(year)", data).fit()
    assert anova(y, group, 3, [site, year])[1].value == pytest.approx(fit.mse_resid)
    # Means over equal shares of every block, as R's emmeans gives them.
    grid = pd.DataFrame(itertools.product(range(2), range(2)), columns=["site", "year"])
    means = [fit.predict(grid.assign(group=g)).mean() for g in range(3)]
    assert found.estimates == pytest.approx(means)
    hits = np.round(100 * y)
    shares = compare_proportions(hits, [100] * 24, group, names(3), blocks=[site, year])
    rounded = ols("y ~ C(group) + C(site) + C(year)", data.assign(y=hits / 100)).fit()
    means = [rounded.predict(grid.assign(group=g)).mean() for g in range(3)]
    assert shares.estimates == pytest.approx(means)
    assert shares.letters == ("c", "b", "a")
    # Without the blocks the same shares are one group.
    assert set(compare_proportions(hits, [100] * 24, group, names(3)).letters) == {"a"}


def test_proportions_find_the_difference_and_hold_their_level():
    rng = np.random.default_rng(9)
    group, n = np.repeat([0, 1, 2], 5), np.full(15, 20)
    apart = compare_proportions(
        rng.binomial(20, np.array([0, 0.05, 0.5])[group]), n, group, names(3)
    )
    assert apart.letters[2] == "a"
    assert set(apart.letters[0]) & set(apart.letters[1])
    assert not set(apart.letters[0]) & set(apart.letters[2])
    cried, runs = 0, 300
    for _ in range(runs):
        found = compare_proportions(rng.binomial(20, 0.3, 15), n, group, names(3))
        cried += any(pair.differs for pair in found.pairs)
    assert cried / runs < 0.08


def test_no_soft_berry_anywhere_is_no_difference():
    found = compare_proportions([0] * 6, [20] * 6, [0, 0, 1, 1, 2, 2], names(3))
    assert set(found.letters) == {"a"}
    assert found.p == 1


def test_pairs_of_known_variance_are_scipys():
    pair = all_pairs([1.0, 0.0], np.eye(2) * 0.1, np.inf, names(2))[0]
    assert pair.p == pytest.approx(2 * scipy.stats.norm.sf(1 / np.sqrt(0.2)), abs=1e-6)
