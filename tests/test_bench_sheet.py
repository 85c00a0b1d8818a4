"""The printed sheet: grams and order on each card, cautions beside the steps, only codes for the scorers."""

from __future__ import annotations

import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from browsers import BROWSER
from planned_trials import COLOUR, GUM, HEAD, READ, RECIPE

from fizzlab.bench.planning import TrialPlan, plan_trial
from fizzlab.bench.sheet import BLANKS_ACROSS, bench_sheet, kitchen, readings_blanks
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
    return re.findall(r'<section class="sheet card".*?</section>', html, re.DOTALL)


def test_a_card_a_batch_in_the_order_of_making(planned: Callable[[str], TrialPlan]) -> None:
    made = planned(FACTORIAL + RECIPE)
    cards = [_text("</style>" + card) for card in _cards(_sheet(made))]
    assert len(cards) == len(made.runs)
    for text, row in zip(cards, made.runs.to_dict("records"), strict=True):
        assert row["run"] in text
        assert f"code on the tray: {row['blind']}" in text
        assert f"colour: {row['colour']}" in text
        assert {0.6: "gum 0.600 g", 1.2: "gum 1.20 g"}[row["gum_g"]] in text


def test_without_a_recipe_the_sheet_says_what_can_hurt(planned: Callable[[str], TrialPlan]) -> None:
    text = _text(_sheet(planned(FACTORIAL)))
    assert "Acid and pigment dust sting eyes and lungs" in text
    assert "Rubbing alcohol burns" in text
    assert "judged by a qualified safety assessor" in text


def test_amounts_stand_in_grams_with_the_measure_and_its_bounds(planned: Callable[[str], TrialPlan]) -> None:
    made = planned(FACTORIAL + RECIPE)
    first = made.cards.cards[0]
    assert first.amounts is not None
    soda = first.amounts.set_index("ingredient").loc["soda"]
    text = _text("</style>" + _cards(_sheet(made))[0])
    assert f"soda {soda['grams']:.0f} g 1 cup {soda['low_g']:.0f} to {soda['high_g']:.0f}" in text


def test_the_acid_goes_in_last_with_its_caution_beside_it(planned: Callable[[str], TrialPlan]) -> None:
    html = _cards(_sheet(planned(FACTORIAL + FULL)))[0]
    steps = [
        _text("</style>" + step) for step in re.findall(r"<li>.*?</li>", html.partition("<ol")[2], re.DOTALL)
    ]
    names = (
        "soda",
        "gum",
        "cornflour",
        "Epsom salt",
        "coconut oil",
        "polysorbate 80",
        "lavender oil",
        "spray",
    )
    place = {
        name: next(i for i, step in enumerate(steps) if re.search(rf"\b{name} [\d.]+ g", step))
        for name in names
    }
    acid = next(i for i, step in enumerate(steps) if re.search(r"\bacid [\d.]+ g", step))
    assert all(where < acid for where in place.values())
    assert "acid dust (see step 1)" in steps[acid]
    assert "Acid dust" in steps[0]
    assert "catch fire" in steps[place["spray"]]
    assert "Never seal a piece that is still damp" in steps[-1]
    assert sum("rinse eyes with plenty of water" in step for step in steps) == 1  # in full only once
    assert sum("Rubbing alcohol and its vapour catch fire" in step for step in steps) == 1
    fire = next(i for i, step in enumerate(steps) if "catch fire" in step)
    later = [step for step in steps[fire + 1 :] if f"alcohol fire (see step {fire + 1})" in step]
    assert len(later) == 3  # worked in, sprayed on, drying


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
    assert [len(grid.heads) - 1 for grid in grids] == [8, 8, 7]
    assert [head for grid in grids for head in grid.heads[1:]] == [f"{hour} h" for hour in range(1, 24)]
    assert max(len(grid.heads) - 1 for grid in grids) <= BLANKS_ACROSS


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
        ("up to 0.06 tsp with dye", "up to 0.0600 tsp with dye"),
        ("30 drops", "30 drops"),
    ],
)
def test_measures_are_written_as_on_the_spoons(written: str, shown: str) -> None:
    assert kitchen(written) == shown


@pytest.mark.slow
@pytest.mark.skipif(BROWSER is None, reason="no Chromium-family browser is installed")
@pytest.mark.parametrize(("paper", "wide_mm", "high_mm"), [("A4", 210, 297), ("Letter", 215.9, 279.4)])
@pytest.mark.parametrize("scored", [True, False])
def test_every_card_fits_on_its_own_page(
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
    heights = page.evaluate("[...document.querySelectorAll('.sheet')].map(s => s.offsetHeight)")
    overflow = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    printed = page.pdf(format=paper, prefer_css_page_size=False)
    page.close()
    assert overflow <= 0
    assert len(heights) == 2 * len(made.runs)
    assert max(heights) <= (high_mm - 2 * down) * pixels
    pages = len(re.findall(rb"/Type\s*/Page\b", printed))
    assert pages == 1 + 2 * len(made.runs) + (len(made.wishes.raters) if scored else 0)
