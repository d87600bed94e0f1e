"""Rates with repertoire held equal."""

import numpy as np
import pytest
import statsmodels.api as sm

from pipeline.stats.repertoire import Cells, expected_slides, standardised_rates

KINDS = np.array([(size, up, tied) for size in range(3) for up in (0, 1) for tied in (0, 1)], dtype=float)
FEATURES = np.column_stack([KINDS[:, [0]] == [1, 2], KINDS[:, 1:]]).astype(float)


def cells_of(rng, *, players=10, effect=0.0, lean=0.0, alike=False):
    """Players of two groups; the second leans towards leaps by ``lean`` and slides ``effect`` more on the logit."""
    group = np.arange(players) % 2
    chances, slides = [], []
    for player in range(players):
        mix = np.exp((0.0 if alike else rng.normal(0, 0.2, 12)) + lean * group[player] * KINDS[:, 0])
        n = np.full(12, 100.0) if alike else rng.multinomial(1500, mix / mix.sum()).astype(float)
        logit = -2.5 + FEATURES @ [0.5, 1.2, -0.2, 0.6] + effect * group[player] + 0.3 * rng.normal()
        chances.append(n)
        slides.append(rng.binomial(n.astype(int), 1 / (1 + np.exp(-logit))).astype(float))
    of = np.repeat(np.arange(players), 12)
    kinds = np.tile(np.arange(12), players)
    return Cells(FEATURES, kinds, np.concatenate(chances), np.concatenate(slides), of), group[of]


def test_equal_mixes_give_the_crude_rates():
    cells, group = cells_of(np.random.default_rng(1), effect=0.4, alike=True)
    made = standardised_rates(cells, group)
    crude = [cells.slides[group == g].sum() / cells.chances[group == g].sum() for g in (0, 1)]
    assert made.rates == pytest.approx(crude, rel=2e-3)
    assert standardised_rates(cells, group, one_vote=True).rates == pytest.approx(crude, rel=2e-3)


def test_repertoire_alone_makes_a_crude_ratio_and_no_standardised_one():
    logs = []
    for seed in range(30):
        cells, group = cells_of(np.random.default_rng([2, seed]), lean=0.8)
        crude = [cells.slides[group == g].sum() / cells.chances[group == g].sum() for g in (0, 1)]
        made, _ = standardised_rates(cells, group).ratio(1, 0)
        logs.append((np.log(crude[1] / crude[0]), np.log(made.estimate)))
    mean = np.mean(logs, axis=0)
    assert mean[0] > 0.15
    # The players' spread of .3 leaves a standard error of .3 sqrt(2/5) / sqrt(30) = .035.
    assert mean[1] == pytest.approx(0.0, abs=0.08)


def test_errors_as_delete_one_player_by_refitting():
    cells, group = cells_of(np.random.default_rng(3), players=16, effect=0.5, lean=0.5)
    made = standardised_rates(cells, group)

    def log_ratio(kept):
        design = np.column_stack([np.ones(kept.sum()), group[kept], cells.features[cells.kinds][kept]])
        rates = np.column_stack([cells.slides[kept], (cells.chances - cells.slides)[kept]])
        beta = sm.GLM(rates, design, family=sm.families.Binomial()).fit().params
        p = [1 / (1 + np.exp(-(beta[0] + beta[1] * g + cells.features[cells.kinds] @ beta[2:]))) for g in (0, 1)]
        return np.log(np.average(p[1], weights=cells.chances) / np.average(p[0], weights=cells.chances))

    ratio, _ = made.ratio(1, 0)
    whole = log_ratio(np.ones(cells.players.size, dtype=bool))
    assert np.log(ratio.estimate) == pytest.approx(whole, abs=1e-3)
    left_out = np.array([log_ratio(cells.players != player) for player in range(16)])
    plain = np.sqrt(15 / 16 * ((left_out - whole) ** 2).sum())
    v = made.covariance
    # One step of Newton's from the whole fit, rather than a fit each: within 3 %.
    assert np.sqrt(v[0, 0] + v[1, 1] - 2 * v[0, 1]) == pytest.approx(plain, rel=0.03)


def test_expected_slides_are_those_of_the_fitted_corpus():
    cells, _ = cells_of(np.random.default_rng(4), effect=0.5, lean=0.5)
    expected = expected_slides(cells)
    assert expected.sum() == pytest.approx(cells.slides.sum())
    rates = np.column_stack([cells.slides, cells.chances - cells.slides])
    fitted = (
        sm.GLM(rates, sm.add_constant(cells.features[cells.kinds]), family=sm.families.Binomial()).fit().fittedvalues
    )
    assert expected == pytest.approx(fitted * cells.chances, rel=2e-3)


def test_a_group_without_slides_or_too_few_players_give_nothing():
    cells, group = cells_of(np.random.default_rng(5), players=4)
    silent = Cells(cells.features, cells.kinds, cells.chances, np.where(group == 1, 0.0, cells.slides), cells.players)
    assert standardised_rates(silent, group) is None
    few = cells.players < 3
    cut = Cells(cells.features, cells.kinds[few], cells.chances[few], cells.slides[few], cells.players[few])
    assert standardised_rates(cut, group[few]) is None


def test_a_kind_of_change_that_never_slides_stays_finite():
    cells, group = cells_of(np.random.default_rng(6))
    never = cells.features[cells.kinds, 1] == 1
    silent = Cells(cells.features, cells.kinds, cells.chances, np.where(never, 0.0, cells.slides), cells.players)
    made = standardised_rates(silent, group)
    assert np.isfinite(made.low).all()
    assert (made.low < made.high).all()
