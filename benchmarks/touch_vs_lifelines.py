"""Time the plain interval-censored fit against lifelines', side by side in one run.

    python benchmarks/touch_vs_lifelines.py

For n = 48, 200 and 2,000 pieces: the median time of each over repeated fits that
alternate, their ratio, and both log-likelihoods. Ours is the plain fit on arrays (`sort` and `fit`). Beside
it stands the whole of `fit_curing_time`, through tables and with a random effect of the batch, which
lifelines has not.
"""

import time
import warnings
from collections.abc import Callable
from statistics import median

import lifelines
import numpy as np
import pandas as pd

from fizzlab.models.censored import sort
from fizzlab.models.censored_fit import fit
from fizzlab.models.curing import fit_curing_time
from fizzlab.models.terms import Amount


def data(size: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Brackets of `size` pieces in batches of 4, with two covariates of the batch."""
    rng = np.random.default_rng(size)
    batches = size // 4
    table = pd.DataFrame({"z1": rng.normal(0, 0.4, batches), "z2": np.arange(batches) % 2 * 1.0})
    run = np.repeat(np.arange(batches), 4)
    location = (2.6 - 0.7 * table["z1"] + 0.3 * table["z2"] + rng.normal(0, 0.15, batches)).to_numpy()
    times = np.exp(location[run] + 0.2 * rng.normal(size=size))
    looks = np.array([6.0, 8, 10, 12, 14, 16, 18, 20, 24])
    at = np.searchsorted(looks, times)
    lower, upper = np.r_[0.0, looks][at], np.r_[looks, np.inf][at]
    found = pd.DataFrame({"run": run, "piece": np.tile(range(4), batches), "lower": lower, "upper": upper})
    return found, table


def timed(functions: dict[str, Callable[[], float]], repeats: int) -> dict[str, tuple[float, float]]:
    """Run the functions in turn, `repeats` times over: median seconds and what each returned."""
    seconds: dict[str, list[float]] = {name: [] for name in functions}
    value = {}
    for _ in range(repeats):
        for name, function in functions.items():
            begun = time.perf_counter()
            value[name] = function()
            seconds[name].append(time.perf_counter() - begun)
    return {name: (median(seconds[name]), value[name]) for name in functions}


def main() -> None:
    warnings.simplefilter("ignore")
    print(f"lifelines {lifelines.__version__}; milliseconds, medians")
    print(f"{'n':>5}{'lifelines':>10}{'ours':>8}{'ratio':>7}{'batches':>9}{'ratio':>7}", end="")
    print(f"{'loglik lifelines':>19}{'loglik ours':>15}{'differ':>10}")
    for size in (48, 200, 2000):
        found, table = data(size)
        wide = found.join(table, on="run")[["lower", "upper", "z1", "z2"]]
        # lifelines' log-normal slope is not a number at a lower end of 0
        wide["lower"] = wide["lower"].clip(lower=1e-6)
        terms = [Amount("z1"), Amount("z2")]
        lower, upper, run = (found[name].to_numpy() for name in ("lower", "upper", "run"))
        x = np.column_stack([np.ones(len(table)), table])

        def theirs(wide=wide) -> float:
            model = lifelines.LogNormalAFTFitter()
            model.fit_interval_censoring(wide, lower_bound_col="lower", upper_bound_col="upper")
            return float(model.log_likelihood_)

        def arrays(lower=lower, upper=upper, run=run, x=x) -> float:
            return fit(sort(lower, upper, run, x), batch_effect=False, restricted=False).loglik

        def batches(found=found, table=table, terms=terms) -> float:
            return fit_curing_time(found, terms, runs=table.rename_axis("run")).loglik

        result = timed({"theirs": theirs, "arrays": arrays, "batches": batches}, 7)
        (slow, reference), (quick, ours), (mixed, _) = result.values()
        print(
            f"{size:>5}{slow * 1e3:>10.1f}{quick * 1e3:>8.2f}{slow / quick:>7.0f}"
            f"{mixed * 1e3:>9.1f}{slow / mixed:>7.0f}"
            f"{reference:>19.6f}{ours:>15.6f}{ours - reference:>10.1e}"
        )


if __name__ == "__main__":
    main()
