"""Slide rates by school, with players as random effects.

    python analysis/slide_rate_model.py [FOLDER]

FOLDER is the exported package (default: the folder above this script's). Needs pandas and statsmodels. Prints
one CSV table: model, term, estimate, standard_error.

Linear mixed model (REML): slides per 100 transitions of a take ~ school, player random. Poisson model: slides
of a take ~ school, offset log(transitions). Takes that could not be judged, or hold no transition, are left
out; takes without a slide count with zero.
"""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import statsmodels.api as sm
import statsmodels.formula.api as smf


def fitted(take: pd.DataFrame) -> pd.DataFrame:
    """Both models fitted to the rows of ``take``, as one table of terms."""
    take = take[take["judged"] & (take["transitions"] > 0)].copy()
    take["rate"] = 100 * take["slides"] / take["transitions"]
    take["school"] = take["school_id"].astype(object).fillna("unplaced")
    school = "C(school)" if take["school"].nunique() > 1 else "1"
    mixed = smf.mixedlm(f"rate ~ {school}", take, groups="player_id").fit(reml=True)
    poisson = smf.glm(
        f"slides ~ {school}", take, family=sm.families.Poisson(), offset=np.log(take["transitions"])
    ).fit()
    parts = [
        _table("mixed", mixed.fe_params, mixed.bse_fe),
        pd.DataFrame(
            {
                "model": "mixed",
                "term": ["variance_player", "variance_residual"],
                "estimate": [float(mixed.cov_re.iloc[0, 0]), mixed.scale],
                "standard_error": np.nan,
            }
        ),
        _table("poisson", poisson.params, poisson.bse),
    ]
    result = pd.concat(parts, ignore_index=True)
    result["term"] = (
        result["term"].str.replace(r"^C\(school\)\[T\.(.*)\]$", r"\1", regex=True).replace("Intercept", "(Intercept)")
    )
    return result


def _table(model: str, estimates: pd.Series, errors: pd.Series) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "model": model,
            "term": list(estimates.index),
            "estimate": estimates.to_numpy(),
            "standard_error": errors.to_numpy(),
        }
    )


if __name__ == "__main__":
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent.parent
    fitted(pd.read_csv(folder / "csv" / "take.csv")).to_csv(sys.stdout, index=False)
