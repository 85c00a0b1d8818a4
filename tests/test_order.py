"""Which way dried later by the looks alone, where they are too far apart for a fit."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fizzlab.models.terms import Category
from fizzlab.models.touch import seen_order
from fizzlab.report import parts as sections
from fizzlab.report.analysis import analyse
from fizzlab.trial.folder import load

MakeTrial = Callable[..., Path]
COLOUR = Category("colour", ("pearl", "dye"), "pearl")
LOOKS = (2.0, 3.0, 4.0, 6.0, 8.0, 12.0)


def _looked_at(hours: dict[str, list[float]]) -> pd.DataFrame:
    rows = []
    for run, times in hours.items():
        for time in times:
            before = [look for look in LOOKS if look < time]
            after = [look for look in LOOKS if look >= time]
            rows.append((run, before[-1] if before else 0.0, after[0] if after else np.inf))
    return pd.DataFrame(rows, columns=["run", "lower", "upper"])


def _made(days: int) -> pd.DataFrame:
    rows = [(f"{day}{colour}", str(day), colour) for day in range(days) for colour in COLOUR.levels]
    return pd.DataFrame(rows, columns=["run", "day", "colour"]).set_index("run")


@settings(max_examples=30, deadline=None)
@given(ratio=st.floats(0.3, 3), seed=st.integers(0, 10_000), days=st.integers(1, 6), spread=st.floats(0, 0.3))
def test_what_is_called_sure_is_true_and_the_bounds_hold(
    ratio: float, seed: int, days: int, spread: float
) -> None:
    rng = np.random.default_rng(seed)
    made = _made(days)
    hours = {
        run: list(5 * (ratio if run.endswith("dye") else 1) * np.exp(rng.normal(0, spread, 3)))
        for run in made.index
    }
    (found,) = seen_order(_looked_at(hours), made, COLOUR)
    assert found.later + found.earlier + found.open == days
    median = {run: float(np.median(times)) for run, times in hours.items()}
    gaps = [np.log(median[f"{day}dye"] / median[f"{day}pearl"]) for day in range(days)]
    assert found.later <= sum(gap > -1e-12 for gap in gaps)
    assert found.earlier <= sum(gap < 1e-12 for gap in gaps)
    assert found.least * (1 - 1e-9) <= np.exp(np.mean(gaps)) <= found.most * (1 + 1e-9)


def test_chance_is_that_of_the_sign_test() -> None:
    made = _made(5)
    hours = {run: [7.0 if run.endswith("dye") else 3.5] for run in made.index}
    (found,) = seen_order(_looked_at(hours), made, COLOUR)
    assert (found.later, found.p_value) == (5, pytest.approx(2 * 0.5**5))
    assert (found.least, found.most) == pytest.approx((1.5, 8 / 3))


def test_looks_that_are_too_far_apart_still_tell_which_was_later(make_trial: MakeTrial) -> None:
    """Pearl always between the looks at 3 and 4 h, dye between 6 and 8 h: no fit, and yet no silence."""
    runs = ["run,day,made_at,colour,binder_g,note"]
    touch = ["run,piece,hours,dry"]
    for day in (5, 6, 7, 8):
        for place, (colour, before, after) in enumerate((("pearl", 3, 4), ("dye", 6, 8))):
            run = f"{colour[0].upper()}{day}"
            runs.append(
                f"{run},{day},2026-01-{day:02d}T{9 + place:02d}:00,{colour},{(0.6, 1.2)[(day + place) % 2]},"
            )
            touch += [
                f"{run},{piece},{hours},{dry}"
                for piece in (1, 2)
                for hours, dry in ((before, "no"), (after, "yes"))
            ]
    folder = make_trial(
        runs__csv="\n".join(runs) + "\n", touch_checks__csv="\n".join(touch) + "\n", room_log__csv=None
    )
    done = analyse(load(folder))
    (order,) = done.study("dry_h").order
    assert (order.level, order.later, order.earlier, order.open) == ("dye", 4, 0, 0)
    assert (order.least, order.most) == pytest.approx((1.5, 8 / 3))
    said = " ".join(str(getattr(piece, "lines", "")) for piece in sections.drying(done))
    assert "No dry times can be given." in said
    assert "Dye became dry later than pearl on 4 of 4 days" in said
