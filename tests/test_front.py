"""The front page: one answer to the question, at a glance, in few words."""

from __future__ import annotations

import re
from collections.abc import Callable
from html import unescape
from pathlib import Path

import pytest

from fizzlab.errors import BadInput
from fizzlab.records import Signature, Stamp
from fizzlab.report.analysis import Analysis, analyse
from fizzlab.report.page import PageContent, Picture, html_page, verdict_of
from fizzlab.report.parts.front import WORDS, Foot, Glance, Verdict, about, foot, front, glance, more, verdict
from fizzlab.trial import shipped
from fizzlab.trial.folder import load

MakeTrial = Callable[..., Path]
FACTOR = '[factors.fan]\nlevels = ["off", "on"]\ncontrol = "off"\n'


@pytest.fixture(scope="module")
def cores() -> Analysis:
    return analyse(load(shipped.demo("cores")))


def text_of(piece: object) -> str:
    html = piece if isinstance(piece, str) else piece.html()  # type: ignore[attr-defined]
    return unescape(re.sub(r"<[^>]*>", " ", html))


def words_beside_table_and_picture(done: Analysis) -> int:
    pieces = [piece for piece in front(done) if not isinstance(piece, Glance | Picture)]
    return sum(len(text_of(piece).split()) for piece in pieces)


def test_it_begins_with_what_to_keep_where_limits_ask_for_a_choice(cores: Analysis) -> None:
    said = verdict(cores)
    assert said[0].startswith("Keep emulsifier + pearl")
    assert "19 of 20 batches are ready by then" in said[1]
    assert len(said) <= 4
    assert about(cores)[0] == "dry_h"


def test_it_has_at_most_200_words_beside_table_and_picture(cores: Analysis) -> None:
    assert words_beside_table_and_picture(cores) <= WORDS == 200


def test_every_change_stands_beside_every_response(cores: Analysis) -> None:
    table = glance(cores)
    assert [level for level, _ in table.changes] == ["gum", "dye", "lake"]
    assert len(table.rows) == len(cores.responses)
    for effect in cores.effects:
        row = table.rows[next(name for name in table.rows if name.lower() == label(cores, effect.response))]
        cell = row[[level for level, _ in table.changes].index(effect.level)]
        assert (cell.sign in "▲▼") == ((effect.shown and not effect.same) or "leaning" in cell.sure)
        if effect.shown and not effect.same:
            assert (cell.sign == "▲") == effect.greater


def label(done: Analysis, response: str) -> str:
    return done.trial.settings.measure(response).label.lower()


def test_better_and_worse_are_told_only_where_the_maker_said_which_is_wanted(cores: Analysis) -> None:
    table = glance(cores)
    assert [cell.good for cell in table.rows["Dry time"]] == [None, False, False]  # at most so many hours
    assert {cell.good for cell in table.rows["Time until colour shows"]} == {None}


def test_what_does_not_fit_on_it_is_told_once_below(cores: Analysis) -> None:
    on_it = foot(cores)
    below = " ".join(text_of(piece) for piece in more(cores))
    assert not [line for line in (*on_it.steps, *on_it.cautions) if line in below]
    assert on_it.cautions[-1].startswith("Acid and pigment dust")


def test_a_question_may_say_what_it_is_about_and_which_way_is_wanted(make_trial: MakeTrial) -> None:
    from sound_trial import TOML

    told = '[question]\ntext = "Which fizzes longer?"\nabout = ["fizz_s"]\nwant = "more"\n\n[factors.colour]'
    line = 'question = "Does dye dry slower than pearl?"\n'
    trial = load(make_trial(trial__toml=TOML.replace(line, "").replace("[factors.colour]", told, 1)))
    assert trial.settings.question == "Which fizzes longer?"
    assert (trial.settings.about, trial.settings.want) == (["fizz_s"], "more")


def test_a_question_without_words_is_refused(make_trial: MakeTrial) -> None:
    from sound_trial import TOML

    line = 'question = "Does dye dry slower than pearl?"\n'
    told = '[question]\nabout = ["fizz_s"]\n\n[factors.colour]'
    with pytest.raises(BadInput, match="question"):
        load(make_trial(trial__toml=TOML.replace(line, "").replace("[factors.colour]", told, 1)))


def test_a_page_folds_what_stands_below_and_tells_its_first_sentence_once() -> None:
    parts = (
        '<h2>Part</h2>\n<ul class="notes answer"><li>First.</li><li>Second.</li></ul><h2>Record</h2><p>r</p>'
    )
    body = Verdict(["Yes."]).html() + Foot(["Do it."], ["Mind it."]).html() + parts
    page = html_page(
        PageContent(body, {}, []), title="T", stamp=Stamp("quay-1", "0" * 64, Signature()), place=""
    )
    assert verdict_of(page) == ["Yes."]
    assert page.count("First.") == page.count("Second.") == 1
    assert page.index('<span class="gist">First.</span></summary>') < page.index("<li>Second.</li>")
    assert page.index("Mind it.") < page.index('<div class="detail">') < page.index("<details>")


@pytest.mark.slow
@pytest.mark.parametrize("name", ["binder", "colour-ways", "season"])
def test_each_demo_fits_on_its_front_page(name: str) -> None:
    done = analyse(load(shipped.demo(name)))
    assert verdict(done)
    assert words_beside_table_and_picture(done) <= WORDS
