"""The chart for the wall: it says what the fit says, hatches what was not tried, and names its recipe."""

from __future__ import annotations

import dataclasses
import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browsers import BROWSER
from click.testing import CliRunner

from fizzlab.cli.main import main
from fizzlab.errors import BadInput, CannotAnswer
from fizzlab.models.air import vapour_pressure_deficit
from fizzlab.models.curing import CuringFit
from fizzlab.report.analysis import Analysis, analyse
from fizzlab.report.chart import COLUMNS, GUESSED, ROWS, _tile, wait_table, wall_chart
from fizzlab.report.parts.drying import dried
from fizzlab.trial import shipped
from fizzlab.trial.folder import load


@pytest.fixture(scope="module")
def cores() -> Analysis:
    return analyse(load(shipped.demo("cores")), ["dry_h"])


@pytest.fixture(scope="module")
def fit(cores: Analysis) -> CuringFit:
    found = dried(cores)
    assert found is not None
    return found


def test_it_is_the_wait_that_the_fit_forecasts_over_round_air(fit: CuringFit) -> None:
    lake = {"binder": "gum", "colour": "lake"}
    table = wait_table(fit, lake, 0.9)
    assert table["temp_c"].nunique() <= COLUMNS
    assert table["rh_pct"].nunique() <= ROWS
    vpd = vapour_pressure_deficit(table["temp_c"], table["rh_pct"])
    direct = fit.predict({**lake, "vpd_kpa": vpd}, share=0.9, interval="prediction", conf_level=0.9)
    least, most = fit.tried("vpd_kpa")
    near = (vpd >= least / GUESSED) & (vpd <= most * GUESSED)
    assert table["hours"].notna().tolist() == near.tolist()
    assert table["hours"][near].to_numpy() == pytest.approx(direct["conf_high"][near].to_numpy())
    for _, column in table.dropna().sort_values("rh_pct").groupby("temp_c"):
        assert column["hours"].is_monotonic_increasing  # damper air never dries faster


def test_only_air_beyond_what_was_tried_is_hatched(fit: CuringFit) -> None:
    table = wait_table(fit, {}, 0.9)
    vpd = vapour_pressure_deficit(table["temp_c"], table["rh_pct"])
    least, most = fit.tried("vpd_kpa")
    cold, warm = fit.batches["temp_c"].min(), fit.batches["temp_c"].max()
    within = (vpd >= least) & (vpd <= most)
    near = table["temp_c"].between(cold - 0.5, warm + 0.5)
    assert table["tried"].tolist() == (within & near).tolist()
    assert 0.5 < table["tried"].mean() < 1  # the grid is about what was tried, and shows its edge


@pytest.mark.parametrize(
    ("hours", "said", "look"),
    [
        (3.0, "3", "night"),
        (3.01, "3½", "night"),
        (0.3, "½", "night"),
        (9.6, "10", "night"),
        (12.4, "13", "day"),
        (24.5, "25", "long"),
        (49.0, "3 d", "long"),
        (np.nan, "?", "long beyond"),
        (1e4, "?", "long beyond"),
    ],
)
def test_a_tile_is_rounded_up(hours: float, said: str, look: str) -> None:
    tile = _tile(hours, True, 12.0)
    assert (tile["said"], tile["look"]) == (said, look)
    assert _tile(hours, False, 12.0)["look"].endswith("beyond")


def test_it_is_for_the_recipe_that_is_kept_or_named(cores: Analysis) -> None:
    kept, named = wall_chart(cores), wall_chart(cores, " Lake, gum")
    assert '<p class="recipe">emulsifier + pearl</p>' in kept
    assert '<p class="recipe">gum + lake</p>' in named
    assert "oil makes a tub slippery" in kept
    said = [_hours(html) for html in (kept, named)]
    assert said[0] != said[1]
    for recipe, what in (("gum", "more than one"), ("glue, lake", "none"), (" , ", "more than one")):
        with pytest.raises(
            BadInput, match=f"fits {what} of the recipes that were made. Say “emulsifier, dye”"
        ):
            wall_chart(cores, recipe)


def _hours(html: str) -> list[str]:
    return re.findall(r'aria-hidden="true">(.*?)<', html)


def test_it_is_refused_where_the_trial_cannot_tell(cores: Analysis, fit: CuringFit) -> None:
    def with_fit(**changed: Any) -> Analysis:
        return dataclasses.replace(cores, fits={"dry_h": dataclasses.replace(fit, **changed)})

    flat = fit.coefficients.assign(conf_high=0.1)
    for done, why in (
        (with_fit(coefficients=flat), "does not show that damp air slows drying"),
        (with_fit(air=()), "Keep a room log"),
        (dataclasses.replace(cores, fits={}), "There are no touch checks"),
    ):
        with pytest.raises(CannotAnswer, match=why):
            wall_chart(done)


def test_without_a_wish_it_asks_which_recipe(cores: Analysis) -> None:
    settings = cores.trial.settings.model_copy(update={"responses": {}})
    done = dataclasses.replace(cores, trial=dataclasses.replace(cores.trial, settings=settings))
    with pytest.raises(BadInput, match=r"no recipe is chosen\. Say which with --for: “emulsifier, dye”"):
        wall_chart(done)


@pytest.mark.slow
@pytest.mark.skipif(BROWSER is None, reason="no Chromium-family browser is installed")
@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize(("name", "recipe"), [("season", ""), ("cores", ""), ("cores", "emulsifier, lake")])
def test_it_is_one_sheet_that_is_read_from_two_metres(
    name: str, recipe: str, paper: str, tmp_path: Path, browser: Any
) -> None:
    from pypdf import PdfReader

    folder = shutil.copytree(shipped.demo(name), tmp_path / name)
    refused = CliRunner().invoke(main, ["chart", str(folder), "--for", "tar"])
    assert (refused.exit_code, list(folder.glob("wall-chart*"))) == (2, [])
    result = CliRunner().invoke(main, ["chart", str(folder), "--for", recipe, "--paper", paper])
    assert result.exit_code == 0, result.output
    html, pdf = map(Path, result.stdout.splitlines())
    (sheet,) = PdfReader(pdf).pages
    assert "slippery" in sheet.extract_text()
    page = browser.new_page()
    page.emulate_media(media="print")
    page.goto(html.as_uri())
    sizes = page.evaluate(
        "[...document.querySelectorAll('.tile')].map(t => parseFloat(getComputedStyle(t).fontSize))"
    )
    page.close()
    # a digit is 0.7 of its size high; 5 mm at two metres are 8.6 minutes of arc, good sight reads 5
    assert min(sizes) * 0.7 * 25.4 / 96 >= 5
