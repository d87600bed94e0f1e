"""The numbers of the views, worked out again from the exported tables: a beginning for your own analysis.

    python analysis/slide_rate_model.py [FOLDER]

FOLDER is the exported package (default: the folder above this script's). Needs pandas, scipy and statsmodels. Prints
one CSV table: model, term, ratio, low, high, p.

What each table is for: ``take`` for rates and regressions (one row a take and player, takes without a slide with zero,
takes not judged left out here); ``school_share`` for schools, since a player may belong to two; ``slide`` for the
measures of slides, never for rates, since it knows nothing of music without any.

"birth and recording": as the view cohort_and_period_effect with dates by the middles of their spans. Generalised
estimating equations with takes of a player as a cluster and the errors of Mancl and DeRouen (2001, that is CR3), t of
players less 1; a plain Poisson model would take slides of one player as independent and be far too sure.
"schools": as the view comparison, between players: Welch's t test on the logarithms of players' rates, players of both
schools left out. p is that of each row by itself: for all pairs, or all terms, at once see
statsmodels.stats.multitest.multipletests(p, method="holm"), which is p_holm in the views. Counts are transitions on
which a slide was found (``slid_transitions``), whatever listeners said, so that a player who was reviewed more does
not differ by it. In models of your own let the logarithm of transitions over ``slides_per_find`` be the offset: it
corrects for slides missed and invented, as far as that is known; its limits stand beside it in ``take``. Draws of it
are not exported: the corpus gives them by ``glideline query DIR slides_per_find --as parquet --to FILE``.
"""

import sys
from itertools import combinations, permutations
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats
from statsmodels.genmod.cov_struct import Independence
from statsmodels.genmod.families import Poisson
from statsmodels.genmod.generalized_estimating_equations import GEE

LEAST_FOR_REGRESSION, LEAST_FOR_RATIO, LEAST_SLIDES = 8, 4, 10
_DECADE = 3652.425  # days


def fitted(take: pd.DataFrame, school_share: pd.DataFrame) -> pd.DataFrame:
    """All models as one table of ratios."""
    used = take[take["judged"] & (take["transitions"] > 0)].copy()
    rows = [*_regression(used), *_schools(used, school_share)]
    return pd.DataFrame(rows, columns=["model", "term", "ratio", "low", "high", "p"])


def _middle(rows: pd.DataFrame, name: str) -> pd.Series:
    ends = [pd.to_datetime(rows[f"{name}_{end}"], errors="coerce") for end in ("earliest", "latest")]
    day = pd.Timestamp("1970-01-01")
    return sum((end - day) / pd.Timedelta(days=1) for end in ends) / 2 / _DECADE


def _regression(take: pd.DataFrame) -> list[tuple[object, ...]]:
    names = {"a decade later born": "born", "a decade later recorded": "recorded"}
    terms = pd.DataFrame({name: _middle(take, column) for name, column in names.items()})
    known = terms.notna().all(axis=1) & take["player_id"].notna()
    rows, terms = take[known].assign(player_id=take.loc[known, "player_id"].astype(str)), terms[known]
    players = rows["player_id"].nunique()
    if players < LEAST_FOR_REGRESSION or (terms.nunique() < 2).any():
        return []
    order = np.argsort(rows["player_id"].to_numpy(), kind="stable")
    rows, terms = rows.iloc[order], terms.iloc[order]
    fit = GEE(
        rows["slid_transitions"].to_numpy(float),
        np.column_stack([np.ones(len(rows)), terms - terms.mean()]),
        groups=rows["player_id"].to_numpy(),
        family=Poisson(),
        offset=np.log(rows["transitions"].to_numpy(float)),
        cov_struct=Independence(),
    ).fit(cov_type="bias_reduced")
    return [
        ("birth and recording", name, *_ratio(fit.params[place], fit.bse[place], players - 1))
        for place, name in enumerate(terms.columns, start=1)
    ]


def _schools(take: pd.DataFrame, school_share: pd.DataFrame) -> list[tuple[object, ...]]:
    sums = take.groupby("player_id")[["slid_transitions", "transitions"]].sum()
    made = []
    for _, scheme in school_share[school_share["school_id"] != "unplaced"].groupby("scheme"):
        known = scheme[scheme["player_id"].isin(sums.index)]
        members = {school: rows.set_index("player_id")["share"] for school, rows in known.groupby("school_id")}
        for first, second in combinations(sorted(members), 2):
            groups = [_alone(sums, *pair) for pair in permutations((members[first], members[second]))]
            fewest = min(group["slid_transitions"].mean() for group in groups)
            if min(map(len, groups)) < LEAST_FOR_RATIO or fewest < LEAST_SLIDES:
                continue  # fewer slides: the view sums over a grid of spreads, which is more than a script
            logs = [np.log((g["slid_transitions"] + 0.5) / g["transitions"]) for g in groups]
            test = stats.ttest_ind(*logs, equal_var=False)
            limits = test.confidence_interval(0.95)
            middle = float(logs[0].mean() - logs[1].mean())
            made.append(
                ("schools", f"{first} over {second}", *np.exp([middle, limits.low, limits.high]), float(test.pvalue))
            )
    return made


def _alone(sums: pd.DataFrame, own: pd.Series, other: pd.Series) -> pd.DataFrame:
    """Sums of the players of one school only, as much of them as belongs to it."""
    names = sorted(set(own.index) - set(other.index))
    return sums.loc[names].mul(own.loc[names], axis=0)


def _ratio(middle: float, error: float, freedom: int) -> tuple[float, float, float, float]:
    half = stats.t.ppf(0.975, freedom) * error
    ratio, low, high = np.exp([middle, middle - half, middle + half])
    return ratio, low, high, float(2 * stats.t.sf(abs(middle) / error, freedom))


if __name__ == "__main__":
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent.parent
    tables = (pd.read_csv(folder / "csv" / f"{name}.csv") for name in ("take", "school_share"))
    fitted(*tables).to_csv(sys.stdout, index=False)
