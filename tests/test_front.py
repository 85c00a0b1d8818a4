"""The front page: one answer to the question, at a glance, in few words."""

from __future__ import annotations

import io
import json
import re
import shutil
from collections.abc import Callable
from html import unescape
from pathlib import Path

import pandas as pd
import pytest
import tomlkit
from click.testing import CliRunner
from kept_trial import entry_of
from PIL import Image

from fizzlab.cli.main import main
from fizzlab.cli.saying import say_step
from fizzlab.errors import BadInput
from fizzlab.language import say
from fizzlab.report import parts
from fizzlab.report import phrases as words
from fizzlab.report.analysis import Analysis, analyse
from fizzlab.report.figures import Panel, factor_panels
from fizzlab.report.page import WORKED, Grid, Notes, PageContent, Picture, html_page, parted, verdict_of
from fizzlab.report.parts.batches import WIDE, notes_of, photos
from fizzlab.report.parts.front import WORDS, Foot, Glance, Verdict, about, foot, front, glance, more, verdict
from fizzlab.report.run import DOING
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


def test_the_limits_are_named_below_the_verdict(cores: Analysis) -> None:
    pieces = front(cores)
    place = next(n for n, piece in enumerate(pieces) if isinstance(piece, Verdict))
    assert "Limits: dry time at most 8\xa0h, tumble loss at most" in text_of(pieces[place + 1])
    assert re.search(r"keeps every limit \(at worst \d+ of 20\)\.", verdict(cores)[0])


def test_a_season_says_how_long_to_wait_in_dry_and_in_damp_air() -> None:
    typical, waits = verdict(analyse(load(shipped.demo("season")), ["dry_h"]))
    told = re.findall(r"([\d.]+) h at (\d+) %", waits)
    hours, humid = ([float(each[at]) for each in told] for at in (0, 1))
    assert hours == sorted(hours)
    assert humid == sorted(humid)
    assert len(hours) == 3
    usual = [float(each) for each in re.findall(r"([\d.]+) h at", typical)]
    assert hours[0] > usual[0]
    assert hours[-1] > usual[-1]


def test_a_trial_that_leaves_the_air_out_is_not_said_to_know_little_of_it(tmp_path: Path) -> None:
    folder = Path(shutil.copytree(shipped.demo("season"), tmp_path / "season"))
    toml = tomlkit.parse((folder / "trial.toml").read_text(encoding="utf-8"))
    toml.setdefault("drying", tomlkit.table())["air"] = "none"
    toml["drying"].pop("forecast_air", None)
    (folder / "trial.toml").write_text(tomlkit.dumps(toml), encoding="utf-8")
    (waits,) = verdict(analyse(load(folder), ["dry_h"]))
    assert "19 of 20 batches" in waits


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
    page = html_page(PageContent(body, {}, []), title="T", stamp=entry_of("quay-1"), place="")
    assert verdict_of(page) == ["Yes."]
    assert page.count("First.") == page.count("Second.") == 1
    assert page.index('<span class="gist">First.</span></summary>') < page.index("<li>Second.</li>")
    assert page.index("Mind it.") < page.index('<div class="detail">') < page.index("<details>")


def test_a_part_ends_with_how_it_was_worked_out() -> None:
    front_page = Verdict(["Yes."]).html() + Foot(["Do it."], ["Mind it."]).html()
    pieces = ["<h2>Part</h2>", Notes(["Answer."], "answer").html(), f"<h3>{say(WORKED)}</h3>", "<p>REML</p>"]
    page = html_page(
        PageContent(front_page + "".join(pieces) + "<h2>Record</h2>", {}, []),
        title="T", stamp=entry_of("quay-1"), place="",
    )  # fmt: skip
    inner = f"<details><summary><h3>{say(WORKED)}</h3></summary><p>REML</p></details></details>"
    assert inner in page
    told = parted([Grid(pd.DataFrame({"a": [1]}), method=True), "Answer."], ["Formula."])
    assert told[:3] == ["Answer.", f"### {say(WORKED)}", "Formula."]


@pytest.mark.slow
def test_every_part_has_every_factor(cores: Analysis) -> None:
    for part in (parts.drying, parts.crumble, parts.fizz, parts.others):
        pieces = part(cores)
        grid = next(piece for piece in pieces if isinstance(piece, Grid))
        assert list(grid.rows["change (95 % interval)"]) == [
            "Gum against emulsifier",
            "Dye against pearl",
            "Lake against pearl",
        ]
        picture = next(piece for piece in pieces if isinstance(piece, Picture))
        assert picture.name.startswith("changed-")


def test_the_same_figure_has_the_same_bytes() -> None:
    panel = Panel(
        "Foam, mm",
        pd.DataFrame(
            {"factor": "a", "level": ["x", "y"], "estimate": [1, 2], "conf_low": 0.5, "conf_high": 3}
        ),
        pd.DataFrame({"level": ["x", "y"], "value": [1.2, 1.9]}),
        log=True,
    )
    one, two = (Picture("foam", factor_panels([panel, panel]), "Seen.", "Read.") for _ in range(2))
    assert one.images == two.images


def test_money_has_its_currency_and_less_than_a_cent_is_said_so(cores: Analysis) -> None:
    costs = {cell.size for cell in glance(cores).rows["Cost of a piece"]}
    assert costs == {"under a cent less", "0.01 EUR less", "0.03 EUR more"}
    assert words.amount(0.004, "GBP") == "under a penny"


def test_notes_and_photographs_stand_with_their_batch(make_trial: MakeTrial) -> None:
    folder = make_trial()
    (folder / "photos").mkdir()
    Image.new("RGB", (3000, 2000), "#aa5533").save(folder / "photos" / "b-2.JPG", "JPEG")
    Image.new("RGB", (40, 30)).save(folder / "photos" / "harbour.png")
    (folder / "photos" / "A.jpg").write_bytes(b"no picture")
    trial = load(folder)
    notes = notes_of(trial)
    assert notes == {"B": "a wet, grey day"}
    shots, doubts = photos(trial, notes)
    assert [caption for caption, _ in shots] == ["B: a wet, grey day"]
    with Image.open(io.BytesIO(shots[0][1])) as shot:
        assert max(shot.size) == WIDE
    assert "harbour.png" in doubts[0]
    assert "A.jpg" in doubts[1]
    assert "a wet, grey day" in " ".join(map(text_of, parts.batch_by_batch(analyse(trial))))


def test_a_folder_may_follow_pdf(tmp_path: Path) -> None:
    for given in (["--pdf", str(tmp_path)], ["--pdf", "whole", str(tmp_path)], [str(tmp_path), "--pdf"]):
        result = CliRunner().invoke(main, ["report", *given])
        assert "trial.toml" in result.stderr, result.stderr


def test_it_says_what_it_does(capsys: pytest.CaptureFixture[str]) -> None:
    say_step("drying")
    assert capsys.readouterr().err == "Drying …\n"
    told = [
        cell["metadata"].get(DOING)
        for cell in json.loads(shipped.notebook("trial_report").read_text())["cells"]
    ]
    assert {"drying", "crumbling", "fizz", "choosing"} <= set(told)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["binder", "colour-ways", "season"])
def test_each_demo_fits_on_its_front_page(name: str) -> None:
    done = analyse(load(shipped.demo(name)))
    assert verdict(done)
    assert words_beside_table_and_picture(done) <= WORDS
    told = {done.settings.label(effect.factor) for effect in done.effects if effect.shown}
    for line in (line for line in foot(done).cautions if "say little about" in line):
        assert not [name for name in told if name in line]
