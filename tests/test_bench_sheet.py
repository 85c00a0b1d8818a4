"""The printed sheet: grams and order on each card, cautions beside the steps, only codes for the scorers."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from browsers import BROWSER
from planned_trials import COLOUR, GUM, HEAD, READ, RECIPE
from pypdf import PdfReader

from fizzlab.bench.planning import TrialPlan, plan_trial
from fizzlab.bench.sheet import bench_sheet, kitchen, readings_blanks
from fizzlab.recipe.amounts import weigh_out
from fizzlab.trial.settings import read_settings

FACTORIAL = HEAD + COLOUR + GUM + '[plan]\nkind = "factorial"\nrepeats = 2\nbatches_per_day = 6\n' + READ

#: As much on one card as a bath fizzer is likely to need.
FULL = RECIPE.replace(
    "[recipe.by_factor.gum_g]",
    "".join(
        f'[[recipe.ingredients]]\nname = "{name}"\nkind = "{kind}"\namount = "{much}"\n\n'
        for name, kind, much in (
            ("cornflour", "cornflour", "1/4 cup"),
            ("Epsom salt", "epsom salt", "60 g"),
            ("coconut oil", "coconut oil", "1 tbsp"),
            ("polysorbate 80", "polysorbate 80", "1/2 tsp"),
            ("lavender oil", "essential oil", "15 drops"),
            ("spray", "rubbing alcohol 91 %", "1 tsp"),
        )
    )
    + "[recipe.by_factor.gum_g]",
)


class _Text(HTMLParser):
    """The text of a page, and every address that it asks for."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.addresses: list[str] = []

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href")]


def _text(html: str) -> str:
    parser = _Text()
    parser.feed(html.partition("</style>")[2])
    return " ".join(" ".join(parser.texts).split())


@pytest.fixture
def planned(tmp_path: Path) -> Callable[[str], TrialPlan]:
    def make(text: str) -> TrialPlan:
        (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
        settings, problems = read_settings(tmp_path)
        assert settings is not None, [str(problem) for problem in problems]
        return plan_trial(settings)

    return make


def _sheet(planned: TrialPlan) -> str:
    return bench_sheet(planned.settings, planned.wishes, planned.cards, planned.statements())


def _cards(html: str) -> list[str]:
    return re.findall(r'<section class="card".*?</section>', html, re.DOTALL)


def test_a_card_a_batch_in_the_order_of_making(planned: Callable[[str], TrialPlan]) -> None:
    made = planned(FACTORIAL + RECIPE)
    cards = [_text("</style>" + card) for card in _cards(_sheet(made))]
    assert len(cards) == len(made.runs)
    for text, row in zip(cards, made.runs.to_dict("records"), strict=True):
        assert row["run"] in text
        assert f"code on the tray: {row['blind']}" in text
        assert f"colour: {row['colour']}" in text
        assert {0.6: "gum 2 0.6 g", 1.2: "gum 2 1.2 g"}[row["gum_g"]] in text


def test_without_a_recipe_the_sheet_says_what_can_hurt(planned: Callable[[str], TrialPlan]) -> None:
    text = _text(_sheet(planned(FACTORIAL)))
    assert "Acid and pigment dust sting eyes and lungs" in text
    assert "Rubbing alcohol burns" in text
    assert "judged by a qualified safety assessor" in text


def test_amounts_stand_in_grams_with_the_measure_and_its_bounds(planned: Callable[[str], TrialPlan]) -> None:
    made = planned(FACTORIAL + RECIPE)
    first = made.cards.cards[0].recipe
    assert first is not None
    soda = weigh_out(first)[0].grams
    text = _text("</style>" + _cards(_sheet(made))[0])
    assert f"soda 2 {soda.typical:.1f} g 1 cup {soda.low:.0f} to {soda.high:.0f}" in text


def test_grams_follow_the_scale_and_what_a_factor_sets_stands_as_in_runs(
    planned: Callable[[str], TrialPlan],
) -> None:
    text = FACTORIAL.replace("[0.6, 1.2]", "[12.34, 20]") + "[bench]\nscale_g = 5\n" + RECIPE
    card = _text("</style>" + _cards(_sheet(planned(text)))[0])
    assert "soda 2 220 g" in card
    assert re.search(r"gum 2 (12.34|20) g", card)


def test_nothing_of_an_ingredient_stands_on_the_card_without_a_step(
    planned: Callable[[str], TrialPlan],
) -> None:
    cards = _cards(_sheet(planned(FACTORIAL.replace("[0.6, 1.2]", "[0, 1.2]") + RECIPE)))
    said = [_text("</style>" + card.partition("<table")[2]) for card in cards]
    assert {re.findall(r"gum (?:\d )?[\d.]+ g", text)[0] for text in said} == {"gum 0 g", "gum 2 1.2 g"}


def test_ounces_spoons_and_fahrenheit_stand_beside_grams(planned: Callable[[str], TrialPlan]) -> None:
    metric, us = (_sheet(planned(FACTORIAL + said + FULL)) for said in ("", '[bench]\nunits = "us"\n'))
    card = _text("</style>" + _cards(us)[0])
    assert "soda 2 220.8 g 7.79 oz 1 cup" in card
    assert "Epsom salt 2 60.0 g 2.12 oz about 1/4 cup" in card
    assert "in water near 38 °C (100 °F)" in us
    assert "°F" not in metric
    assert " oz" not in _text(metric)


def test_what_differs_from_batch_to_batch_is_bold(planned: Callable[[str], TrialPlan]) -> None:
    html = "".join(_cards(_sheet(planned(FACTORIAL + FULL))))
    for name, bold in {"soda": False, "gum": True, "alcohol": True, "dye": True, "spray": False}.items():
        cells = set(re.findall(rf"<td>(<b>)?{name}(?:</b>)?</td>", html))
        assert cells == {"<b>" if bold else ""}, name


def _steps(html: str) -> list[str]:
    found = re.findall(r"<li>.*?</li>", html.partition("<ol")[2].partition("</ol>")[0], re.DOTALL)
    return [_text("</style>" + step) for step in found]


def test_the_steps_stand_once_the_acid_last_with_its_caution(planned: Callable[[str], TrialPlan]) -> None:
    html = _sheet(planned(FACTORIAL + FULL))
    assert html.count("<ol") == 1
    steps = _steps(html)
    names = ("soda", "gum", "cornflour", "Epsom salt", "coconut oil", "polysorbate 80", "lavender oil")
    going = [re.split("[:,.]", step.partition("Goes in:")[2]) for step in steps]
    place = {
        name: next(i for i, parts in enumerate(going) if name in map(str.strip, parts))
        for name in (*names, "spray", "acid")
    }
    assert all(where < place["acid"] for where in place.values() if where != place["acid"])
    assert "acid dust (see step 1)" in steps[place["acid"]]
    assert "Acid dust" in steps[0]
    assert "Never seal a piece that is still damp" in steps[-1]
    for said in ("rinse eyes with plenty of water", "Rubbing alcohol and its vapour catch fire", "dust mask"):
        assert html.count(said) == 1
    fire = next(i for i, step in enumerate(steps) if "catch fire" in step)
    assert fire <= place["spray"]
    later = [step for step in steps[fire + 1 :] if f"alcohol fire (see step {fire + 1})" in step]
    assert len(later) >= 3  # worked in, sprayed on, drying
    # the step on each card is the one that the ingredient stands at
    for card in _cards(html):
        for name, step in re.findall(r"<td>(?:<b>)?([^<]+?)(?:</b>)?</td>\s*<td>(\d+)</td>", card):
            assert unescape(name) in steps[int(step) - 1]


def test_spraying_is_warned_of_without_alcohol_in_the_recipe(planned: Callable[[str], TrialPlan]) -> None:
    dry = RECIPE.replace('kind = "rubbing alcohol 91 %"', 'kind = "water"')
    squeeze = next(step for step in _steps(_sheet(planned(FACTORIAL + dry))) if step.startswith("Squeeze"))
    assert "add one spray of alcohol" in squeeze
    assert "alcohol fire" in squeeze or "catch fire" in squeeze


def test_alcohol_that_a_level_brings_is_not_sprayed_freely(planned: Callable[[str], TrialPlan]) -> None:
    squeeze = next(step for step in _steps(_sheet(planned(FACTORIAL + RECIPE))) if step.startswith("Squeeze"))
    assert "they change what is tried" in squeeze


def test_limits_are_only_named_where_the_maker_gave_one(planned: Callable[[str], TrialPlan]) -> None:
    html = _text(_sheet(planned(FACTORIAL + RECIPE)))
    assert "These limits are your own" not in html
    assert "judged by a qualified safety assessor" in html
    strict = RECIPE.replace('role = "other"', 'role = "other"\nmax_pct = 5')
    assert "These limits are your own" in _text(_sheet(planned(FACTORIAL + strict)))


def test_scorers_see_codes_only(planned: Callable[[str], TrialPlan]) -> None:
    made = planned(FACTORIAL + RECIPE)
    pages = re.findall(r'<section class="part".*?</section>', _sheet(made), re.DOTALL)
    assert len(pages) == len(made.wishes.raters)
    for page in pages:
        text = _text("</style>" + page)
        assert all(code in text for code in made.runs["blind"])
        shown = set(re.findall(r"\w+", text))
        assert not shown & {*made.runs["run"], "pearl", "dye", "lake", "gum", "soda", "acid"}


def test_what_the_maker_wrote_is_shown_and_never_obeyed(planned: Callable[[str], TrialPlan]) -> None:
    text = FACTORIAL.replace("Does dye", "<script>alert(1)</script> Does dye")
    html = _sheet(planned(text + RECIPE))
    assert "<script" not in html
    assert "&lt;script&gt;" in html
    assert "&lt;pearl &amp; shine&gt;" in html


def test_the_sheet_asks_for_no_other_address(planned: Callable[[str], TrialPlan]) -> None:
    html = _sheet(planned(FACTORIAL + FULL))
    parser = _Text()
    parser.feed(html)
    assert set(parser.addresses) <= {"data:,"}
    assert "http" not in html
    assert "url(" not in html
    assert "@import" not in html


def test_a_long_schedule_is_cut_into_even_grids(planned: Callable[[str], TrialPlan]) -> None:
    made = planned(FACTORIAL.replace("[2, 4, 8, 24]", str(list(range(1, 24)))))
    grids = [grid for grid in readings_blanks(made.settings, made.wishes) if grid.table == "touch_checks"]
    assert grids[0].heads == tuple(f"{hour} h" for hour in range(1, 24))
    day = _sheet(made).partition('aria-label="Day 1"')[2].partition("Mass of a piece")[0]
    tables = re.findall("<thead>.*?</thead>", day, re.DOTALL)
    heads = [re.findall(r'scope="col">(\d+ h)<', head) for head in tables]
    assert [len(some) for some in heads[1:]] == [8, 8, 7]
    assert [head for some in heads for head in some] == list(grids[0].heads)


def test_only_the_tables_that_are_wanted_have_blanks(planned: Callable[[str], TrialPlan]) -> None:
    one = FACTORIAL.replace(READ, 'tables = ["fizz_times"]\npieces = 3\n')
    made = planned(one)
    assert [grid.table for grid in readings_blanks(made.settings, made.wishes)] == ["fizz_times"]
    html = _sheet(made)
    assert "dry when touched?" not in html
    assert "Scores of" not in html


@pytest.mark.parametrize(
    ("written", "shown"),
    [
        ("0.5 cup", "1/2 cup"),
        ("2.25 tsp", "2 1/4 tsp"),
        ("0.333333333333 cup", "1/3 cup"),
        ("0.618366 tsp", "0.618 tsp"),
        ("1.65 cup", "1.65 cup"),
        ("up to 0.06 tsp with dye", "up to 0.06 tsp with dye"),
        ("30 drops", "30 drops"),
        ("21.63 drops", "22 drops"),
        ("2.14159 ml", "2.14 ml"),
    ],
)
def test_measures_are_written_as_on_the_spoons(written: str, shown: str) -> None:
    assert kitchen(written) == shown


@pytest.mark.slow
@pytest.mark.skipif(BROWSER is None, reason="no Chromium-family browser is installed")
@pytest.mark.parametrize(("paper", "wide_mm", "high_mm"), [("A4", 210, 297), ("Letter", 215.9, 279.4)])
@pytest.mark.parametrize("scored", [True, False])
def test_two_cards_fit_on_a_page(
    paper: str,
    wide_mm: float,
    high_mm: float,
    scored: bool,
    planned: Callable[[str], TrialPlan],
    tmp_path: Path,
    browser: Any,
) -> None:
    wishes = FACTORIAL.replace("pieces = 2", "pieces = 4")
    if not scored:
        wishes = wishes.replace('"crumble_scores", ', "").replace(', "crumble_scores"', "")
    made = planned(wishes + FULL)
    page_file = tmp_path / "sheet.html"
    page_file.write_text(_sheet(made), encoding="utf-8")
    margins = re.search(r"@page \{ margin: (\d+)mm (\d+)mm", page_file.read_text())
    assert margins
    down, across = (float(mm) for mm in margins.groups())
    pixels = 96 / 25.4
    width = round((wide_mm - 2 * across) * pixels)
    page = browser.new_page(viewport={"width": width, "height": 900})
    page.emulate_media(media="print")
    page.goto(page_file.as_uri())
    heights = page.evaluate("[...document.querySelectorAll('.card')].map(s => s.offsetHeight)")
    overflow = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    printed = page.pdf(format=paper, prefer_css_page_size=False)
    page.close()
    assert overflow <= 0
    assert len(heights) == len(made.runs)
    assert 2 * max(heights) + 4 * pixels <= (high_mm - 2 * down) * pixels
    pages = [each.extract_text() for each in PdfReader(io.BytesIO(printed)).pages]
    assert sum("code on the tray" in text for text in pages) == len(made.runs) / 2
    assert all(sum(f"Day {day}: what is made" in text for text in pages) == 1 for day in (1, 2))
    assert sum("Scores of" in text for text in pages) == (len(made.wishes.raters) if scored else 0)
    readings = [text for text in pages if "code on the tray" not in text and "Scores of" not in text]
    assert len(readings) <= 2 + 2 * 5  # the plan and the steps, then the readings of six tables on two days


@pytest.mark.slow
@pytest.mark.skipif(BROWSER is None, reason="no Chromium-family browser is installed")
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_day_of_three_batches_is_one_page(
    paper: str, planned: Callable[[str], TrialPlan], tmp_path: Path, browser: Any
) -> None:
    read = 'tables = ["touch_checks", "tumbles", "room_log"]\npieces = 4\n'
    ways = HEAD + COLOUR.replace(', "lake"', "") + GUM
    ways += '[plan]\nkind = "factorial"\nrepeats = 3\nbatches_per_day = 3\n'
    made = planned(ways + read + FULL.replace("lake = []\n", ""))
    assert (len(made.runs), made.runs["day"].nunique()) == (12, 4)
    path = tmp_path / "sheet.html"
    path.write_text(_sheet(made), encoding="utf-8")
    page = browser.new_page()
    page.goto(path.as_uri())
    printed = page.pdf(format=paper, prefer_css_page_size=False)
    page.close()
    assert len(PdfReader(io.BytesIO(printed)).pages) <= 2 + 4 + 6  # a page a card and one its readings: 25
