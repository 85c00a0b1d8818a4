"""The crumble study of the demo trials recovers their true values; absent and hopeless parts say so."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from matplotlib.collections import LineCollection

from fizzlab.errors import BadInput
from fizzlab.models.crumble import CrumbleStudy
from fizzlab.models.drops import DropFit
from fizzlab.models.plotting import WIDTH
from fizzlab.models.raters import rater_agreement
from fizzlab.report.analysis import Analysis, analyse
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts import typical_values
from fizzlab.report.parts.changed import compared
from fizzlab.report.parts.crumble import STUDY, crumble
from fizzlab.trial import shipped
from fizzlab.trial.folder import load
from fizzlab.trial.settings import TrialSettings

MakeTrial = Callable[..., Path]

TRUTH = json.loads((shipped.DEMO / "truth.json").read_text(encoding="utf-8"))

TOML = """\
code = "quay"
title = "Dye or lake"
question = "Which crumbles less?"

[factors.colour]
levels = ["dye", "lake"]
control = "dye"
"""

RUNS = "run,day,blind,colour\n" + "".join(
    f"R{i},{i // 4},{101 + 7 * i},{'dye' if i % 2 else 'lake'}\n" for i in range(12)
)


def _quay(make_trial: MakeTrial, toml: str = TOML, **tables: str) -> Path:
    """A trial of twelve batches of two colours with only the crumble tables that are given."""
    named = {f"{name}__csv": text for name, text in tables.items()}
    return make_trial(
        **{"trial__toml": toml, "runs__csv": RUNS, "touch_checks__csv": None, "room_log__csv": None} | named
    )


def _tumbles(losses: Callable[[int], float], broken: str = "0") -> str:
    rows = [f"R{i},4,200,{200 - losses(i):.1f},{broken}" for i in range(12)]
    return "run,pieces,before_g,after_g,broken\n" + "\n".join(rows) + "\n"


def _scores(score: Callable[[int, int, str], int], raters: tuple[str, ...], column: str = "run") -> str:
    names = {"run": lambda i: f"R{i}", "blind": lambda i: str(101 + 7 * i)}[column]
    rows = [
        f"{names(i)},{piece},{rater},{score(i, piece, rater)}"
        for i in range(12)
        for piece in range(3)
        for rater in raters
    ]
    return f"{column},piece,rater,score\n" + "\n".join(rows) + "\n"


@pytest.fixture(autouse=True)
def only_crumble(monkeypatch: pytest.MonkeyPatch) -> None:
    """Analyse nothing else: the touch checks and fizz of a demo take their time."""
    every = TrialSettings.measures
    monkeypatch.setattr(
        TrialSettings,
        "measures",
        lambda self: {name: each for name, each in every(self).items() if each.study == STUDY},
    )


def _done(folder: Path) -> tuple[Analysis, CrumbleStudy]:
    done = analyse(load(folder))
    study = done.studies[STUDY]
    assert isinstance(study, CrumbleStudy)
    return done, study


@cache
def _demo(name: str) -> tuple[Analysis, CrumbleStudy, list[object]]:
    """A demo trial and what its report says of crumbling; worked out once."""
    done, study = _done(shipped.demo(name))
    return done, study, crumble(done)


def test_no_typical_value_is_drawn_where_it_cannot_be() -> None:
    done, _, _ = _demo("binder")
    assert done.fits["broken_pct"].predict({"binder_g": [1.8]})["conf_low"].iloc[0] < 0
    (picture,) = [each for each in compared(done, "crumble") if isinstance(each, Picture)]
    (axes,) = [each for each in picture.figure.axes if "broken" in each.get_title("left")]
    (lines,) = [each for each in axes.collections if isinstance(each, LineCollection)]
    found = {f.topic: f for each in typical_values(done) if isinstance(each, Findings) for f in each.findings}
    for (low, high), grams in zip(lines.get_segments(), ("0.6", "1.2", "1.8"), strict=True):
        told = found[f"crumble.broken.level[{grams} g]"]
        assert (low[0], high[0]) == (told.low, told.high)  # the figure says what the table says
    dots = np.concatenate([each.get_offsets() for each in axes.collections if each is not lines])
    assert len(dots) == 12 + 3
    assert dots[:, 0].min() == 0


def _said(done: Analysis) -> str:
    said: list[str] = []
    for piece in [*typical_values(done), *crumble(done)]:
        if isinstance(piece, str):
            said.append(piece)
        elif isinstance(piece, Findings):
            said += [finding.sentence for finding in piece.findings]
        elif isinstance(piece, Notes):
            said += piece.lines
        elif isinstance(piece, Picture):
            said += [piece.caption, piece.alt]
        elif isinstance(piece, Grid):
            said += [piece.caption, piece.rows.to_string()]
    return "\n".join(said)


# what is true ----------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_binder_truth_lies_in_the_intervals() -> None:
    truth = TRUTH["binder"]
    done, _, _ = _demo("binder")
    for name, log_ratio in (
        ("tumble_loss_pct", truth["tumbles"]["log_ratio_per_g"]),
        ("drop_cm", truth["drops"]["log_ratio_per_g"]),
    ):
        (effect,) = done.fits[name].effects
        assert (effect.level, effect.control) == ("1.8 g", "0.6 g")
        assert effect.conf_low < np.exp(1.2 * log_ratio) < effect.conf_high
    grams = [0.6, 1.2, 1.8]
    lost = done.fits["tumble_loss_pct"].predict({"binder_g": grams})
    held = done.fits["drop_cm"].predict({"binder_g": grams})
    most = done.fits["drop_cm"].predict({"binder_g": grams}, share=0.1)
    for place, more in enumerate((-0.6, 0.0, 0.6)):
        typical = truth["tumbles"]["median_pct"] * np.exp(truth["tumbles"]["log_ratio_per_g"] * more)
        median = truth["drops"]["median_cm"] * np.exp(truth["drops"]["log_ratio_per_g"] * more)
        # the normal quantile that nine in ten lie above
        survived = median * np.exp(-1.2815516 * truth["drops"]["spread"])
        for found, value in ((lost, typical), (held, median), (most, survived)):
            assert found["conf_low"][place] < value < found["conf_high"][place]


def test_who_runs_high_in_the_colour_ways_is_found() -> None:
    done, study, _ = _demo("colour-ways")
    assert study.agreement is not None
    again = rater_agreement(done.trial.rows("crumble_scores"))
    assert study.agreement.alpha == again.alpha
    assert len(study.agreement.table) == 3
    high = study.agreement.table.iloc[0]
    assert (high["rater"], high["runs"]) == ("Ines", "high")
    assert "Ines" in study.agreement.retrain
    assert "Mo" not in study.agreement.retrain


@pytest.mark.slow
def test_every_response_has_one_fit_and_its_numbers_are_those_of_the_report() -> None:
    done, study, _ = _demo("binder")
    assert list(study.numbers) == ["tumble_loss_pct", "broken_pct", "score"]
    assert isinstance(done.fits["drop_cm"], DropFit)
    pieces = typical_values(done)
    found = {f.topic: f for piece in pieces if isinstance(piece, Findings) for f in piece.findings}
    for topic, response in (
        ("loss.level", "tumble_loss_pct"),
        ("drop.median", "drop_cm"),
        ("score.level", "score"),
    ):
        row = done.fits[response].predict({"binder_g": [0.6]}).iloc[0]
        finding = found[f"crumble.{topic}[0.6 g]"]
        assert [finding.estimate, finding.low, finding.high] == row.iloc[1:4].tolist()


# what is not there, or cannot be told ----------------------------------------------------------------------


def test_a_trial_without_crumble_tests_has_no_section() -> None:
    assert crumble(analyse(load(shipped.demo("season")))) == []


def test_absent_tables_are_absent_parts(make_trial: MakeTrial) -> None:
    done, study = _done(_quay(make_trial, tumbles=_tumbles(lambda i: 2 + i % 5 * 0.3)))
    assert list(study.numbers) == ["tumble_loss_pct", "broken_pct"]
    assert study.fits == study.reasons == study.refused == {}
    said = _said(done)
    assert "The loss of each batch" in said
    assert "### Dropped" not in said
    assert "### Scored by hand" not in said


def test_one_part_that_cannot_answer_leaves_the_others(make_trial: MakeTrial) -> None:
    drops = "run,piece,height_cm,broke\n" + "".join(f"R{i},1,{30 + 10 * (i % 3)},no\n" for i in range(12))
    done, _ = _done(_quay(make_trial, tumbles=_tumbles(lambda i: 2 + i % 5 * 0.3), drops=drops))
    assert "tumble_loss_pct" in done.fits
    assert "No piece broke" in str(done.reasons["drop_cm"])
    assert "broken_pct" in done.reasons
    assert "Shards fly" in _said(done)


def test_losses_below_the_scale_are_told_not_called_nought(make_trial: MakeTrial) -> None:
    done, _ = _done(_quay(make_trial, tumbles=_tumbles(lambda i: 0)))
    assert "12 of 12 batches lost less" in str(done.reasons["tumble_loss_pct"])
    assert "under half a step" in _said(done)
    few, _ = _done(_quay(make_trial, tumbles=_tumbles(lambda i: 0 if i == 3 else 0.4 + 0.1 * (i % 7))))
    assert "Batch R3 lost less than the scale can show" in _said(few)


@pytest.mark.slow
def test_a_factor_that_did_not_change_among_the_dropped_is_named(make_trial: MakeTrial) -> None:
    drops = "run,piece,height_cm,broke\n" + "".join(
        f"R{i},{piece},{height},{'yes' if height > 35 + (i * 7 + piece * 11) % 25 else 'no'}\n"
        for i in range(1, 12, 2)
        for piece, height in enumerate((30, 40, 50, 60))
    )
    done, study = _done(_quay(make_trial, drops=drops))
    assert study.fits["drop_cm"].effects == ()
    assert "same colour" in study.fits["drop_cm"].notes[0]
    assert "90 % survive a fall from" in _said(done)


def test_uncounted_pieces_are_not_whole_pieces(make_trial: MakeTrial) -> None:
    done, study = _done(_quay(make_trial, tumbles=_tumbles(lambda i: 2 + i % 5 * 0.3, broken="")))
    assert "broken_pct" not in study.numbers
    assert "break in the tumble" not in _said(done)


def test_open_ends_are_words_not_infinities(make_trial: MakeTrial) -> None:
    drops = "run,piece,height_cm,broke\n" + "".join(
        f"R{i},{piece},{height},{'yes' if height > 45 else 'no'}\n"
        for i in range(3)
        for piece, height in enumerate((30, 40, 50, 60))
    )
    said = _said(_done(_quay(make_trial, drops=drops))[0])
    assert "smaller steps" in said
    assert "inf" not in said.replace("information", "")
    assert "nan" not in said


# raters ----------------------------------------------------------------------------------------------------


def test_one_rater_is_told_to_find_another(make_trial: MakeTrial) -> None:
    done, study = _done(_quay(make_trial, crumble_scores=_scores(lambda i, p, r: (i + p) % 5, ("Mo",))))
    assert study.agreement is None
    assert "Let a second person score the same pieces" in _said(done)


def test_raters_who_cannot_be_compared_say_what_would_help(make_trial: MakeTrial) -> None:
    scores = _scores(lambda i, p, r: 2, ("Mo", "Ines"))
    done, study = _done(_quay(make_trial, crumble_scores=scores))
    assert "Every score was the same" in str(study.refused["agreement"])
    assert "Include pieces that crumble more" in _said(done)


def test_of_two_raters_nobody_is_called_wrong(make_trial: MakeTrial) -> None:
    def score(i: int, piece: int, rater: str) -> int:
        return (i + piece) % 4 + (rater == "Ines" and (i + piece) % 5 > 0)

    done, study = _done(_quay(make_trial, crumble_scores=_scores(score, ("Ines", "Mo"))))
    assert study.agreement is not None
    assert set(study.agreement.retrain) == {"Ines", "Mo"}
    assert "Go through the scale with" in _said(done)


def test_scores_by_code_are_those_by_batch(make_trial: MakeTrial) -> None:
    def score(i: int, piece: int, rater: str) -> int:
        return (i + piece + len(rater)) % 5

    by_run = load(_quay(make_trial, crumble_scores=_scores(score, ("Ines", "Mo"))))
    rows = by_run.rows("crumble_scores")
    by_code = load(_quay(make_trial, crumble_scores=_scores(score, ("Ines", "Mo"), column="blind")))
    again = by_code.rows("crumble_scores")[rows.columns]
    assert again.equals(rows)


def test_a_left_out_score_is_listed_with_its_batch(make_trial: MakeTrial) -> None:
    lines = _scores(lambda i, p, r: (i + p) % 5, ("Ines", "Mo"), column="blind").splitlines()
    text = "\n".join([lines[0] + ",leave_out", lines[1] + ",sneezed on", *(line + "," for line in lines[2:])])
    gone = load(_quay(make_trial, crumble_scores=text + "\n")).left_out()
    assert gone[["table", "run", "reason"]].to_numpy().tolist() == [["crumble_scores", "R0", "sneezed on"]]


# figures ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["binder", "colour-ways"])
def test_figures_of_the_demo_fit_the_page_and_are_told_in_words(name: str) -> None:
    _, _, pieces = _demo(name)
    pictures = [piece for piece in pieces if isinstance(piece, Picture)]
    wanted = {"binder": ["drop-sequence", "score-bars"], "colour-ways": ["score-bars"]}
    assert [picture.name for picture in pictures] == wanted[name]
    for picture in pictures:
        assert picture.alt
        assert picture.caption
        width = int(picture.images[1][16:20].hex(), 16)  # of the PNG's header, in pixels
        assert width == round(WIDTH * 160)


# settings --------------------------------------------------------------------------------------------------

INDEX = """
[crumble.index.loss_pct]
weight = 0.6
best = 0
worst = 5

[crumble.index.score]
weight = 0.4
best = 0
worst = 4
"""


@pytest.mark.slow
def test_the_index_is_only_what_was_stated(make_trial: MakeTrial) -> None:
    tables = {
        "tumbles": _tumbles(lambda i: 2 + i * 0.2),
        "crumble_scores": _scores(lambda i, p, r: (i + p) % 5, ("Ines", "Mo")),
    }
    assert _done(_quay(make_trial, **tables))[1].index.empty
    index = _done(_quay(make_trial, toml=TOML + INDEX, **tables))[1].index
    assert list(index.index) == [f"R{i}" for i in range(12)]
    # R4 lost 2.8 of 200 g, and its pieces scored 4, 0 and 1
    assert index["index"]["R4"] == pytest.approx(0.6 * 1.4 / 5 + 0.4 * (5 / 3) / 4)
    folder = _quay(make_trial, toml=TOML + INDEX, **tables)
    assert "The crumble index as trial.toml states it" in _said(_done(folder)[0])
    (folder / "crumble_scores.csv").unlink()
    assert "needs score, which the readings do not give" in _said(_done(folder)[0])


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            "[crumble]\nsurvives = 0.9\n",
            "key crumble.survives: fizzlab knows no such key. Did you mean survive?",
        ),
        ('[crumble]\ndrop_method = "firth"\n', "key crumble.drop_method: “firth” is none of its choices."),
        ('[crumble]\ntumble_scale = "logit"\n', "key crumble.tumble_scale: fizzlab knows no such key."),
        ('[crumble]\ndrop_scale = "linear"\n', "key crumble.drop_scale: fizzlab knows no such key."),
        ("[crumble]\nsurvive = 0.4\n", "key crumble.survive:"),
        (INDEX.replace("0.4", "0.3"), "key crumble: the weights of the index add up to 0.9, not to 1."),
        (INDEX.replace("worst = 5\n", ""), "key crumble.index.loss_pct.worst: the key is missing."),
        (INDEX.replace("worst = 4", "worst = 0"), "best and worst must be two different numbers"),
        (INDEX.replace("loss_pct", "loss"), "Did you mean loss_pct?"),
    ],
)
def test_settings_that_cannot_be(make_trial: MakeTrial, text: str, says: str) -> None:
    with pytest.raises(BadInput) as raised:
        load(_quay(make_trial, toml=TOML + text, tumbles=_tumbles(lambda i: 2)))
    assert says in str(raised.value)


@pytest.mark.slow
def test_settings_reach_the_fits(make_trial: MakeTrial) -> None:
    drops = "run,piece,height_cm,broke\n" + "".join(
        f"R{i},{piece},{height},{'yes' if height > 35 + (i * 7 + piece * 11) % 25 else 'no'}\n"
        for i in range(12)
        for piece, height in enumerate((30, 40, 50, 60))
    )
    toml = TOML + '[crumble]\ndrop_method = "likelihood"\nsurvive = 0.8\nscale_step_g = 1\n'
    tables = {"tumbles": _tumbles(lambda i: 2 + i % 5 * 0.3), "drops": drops}
    done, study = _done(_quay(make_trial, toml=toml, **tables))
    fit = study.fits["drop_cm"]
    assert isinstance(fit, DropFit)
    assert not fit.likelihood.penalised
    assert study.losses["step_g"].unique() == [1]
    assert "80 % survive" in _said(done)
