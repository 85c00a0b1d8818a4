"""The crumble study of the demo trials recovers their true values; absent and hopeless parts say so."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from fizzlab.errors import BadInput, CannotAnswer
from fizzlab.models.crumble import DropStudy, ScoreStudy, TumbleStudy, krippendorff_alpha, rating_table
from fizzlab.report import parts as sections
from fizzlab.report.page import Findings, Grid, Notes, Picture
from fizzlab.report.parts.crumble import Crumbled
from fizzlab.report.phrases.crumble import agreement_findings, answer_findings
from fizzlab.trial import shipped
from fizzlab.trial.folder import load

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


def _crumbled(folder: Path) -> Crumbled:
    crumbled = sections.crumbling(load(folder))
    assert crumbled is not None
    return crumbled


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


def _everything_said(folder: Path) -> str:
    trial = load(folder)
    crumbled = sections.crumbling(trial)
    said: list[str] = []
    for piece in (*sections.crumble_answer(crumbled), *sections.crumble(trial, crumbled)):
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


def test_binder_truth_lies_in_the_intervals() -> None:
    truth = TRUTH["binder"]
    study = _crumbled(shipped.demo("binder")).study
    assert isinstance(study.tumbles, TumbleStudy)
    assert isinstance(study.drops, DropStudy)
    assert isinstance(study.scores, ScoreStudy)
    (loss,), (broke,) = study.tumbles.fit.effects, study.tumbles.broken.effects
    (height,), (score, *_) = study.drops.fit.effects, study.scores.fit.effects
    for effect, value in (
        (loss, truth["tumbles"]["log_ratio_per_g"]),
        (broke, truth["tumbles"]["broken_log_odds_per_g"]),
        (height, truth["drops"]["log_ratio_per_g"]),
        (score, truth["crumble_scores"]["log_odds_per_g"]),
    ):
        assert effect.name == "binder_g"
        assert effect.low < np.exp(value) < effect.high
    for grams, level, held in zip((-0.6, 0.0, 0.6), study.tumbles.levels, study.drops.levels, strict=True):
        lost = truth["tumbles"]["median_pct"] * np.exp(truth["tumbles"]["log_ratio_per_g"] * grams)
        median = truth["drops"]["median_cm"] * np.exp(truth["drops"]["log_ratio_per_g"] * grams)
        assert level.low < lost < level.high
        assert held.median_low < median < held.median_high
        # the normal quantile that nine in ten lie above
        assert held.survive_low < median * np.exp(-1.2815516 * truth["drops"]["spread"]) < held.survive_high


def test_scores_of_the_colour_ways_hold_the_truth_and_find_who_runs_high() -> None:
    truth = TRUTH["colour-ways"]["crumble_scores"]
    scores = _crumbled(shipped.demo("colour-ways")).study.scores
    assert isinstance(scores, ScoreStudy)
    known = {f"colour[{level}]": value for level, value in truth["log_odds"].items() if value}
    known |= {f"rater[{rater}]": lean for rater, lean in truth["leans"].items()}
    effects = {effect.name: effect for effect in scores.fit.effects}
    assert set(known) == set(effects)
    held = {name: effects[name].low < np.exp(value) < effects[name].high for name, value in known.items()}
    assert held["colour[dye]"]
    assert held["colour[lake]"]
    # one of five may miss by chance, and Mo's lean does; each held in 93 to 97 % of 300 trials drawn alike
    assert sum(held.values()) >= len(held) - 1
    assert (scores.leans[0].rater, scores.leans[0].runs) == ("Ines", "high")
    assert "Ines" in scores.retrain
    assert "Mo" not in scores.retrain


def test_study_hands_the_agreement_on_as_it_is() -> None:
    trial = load(shipped.demo("colour-ways"))
    scores = trial.rows("crumble_scores")
    found = _crumbled(shipped.demo("colour-ways")).study.scores.agreement
    assert found.estimate == pytest.approx(krippendorff_alpha(rating_table(scores).to_numpy()))
    assert found.raters == 3


# what is not there, or cannot be told ----------------------------------------------------------------------


def test_a_trial_without_crumble_tests_has_no_section() -> None:
    trial = load(shipped.demo("season"))
    assert sections.crumbling(trial) is None
    assert sections.crumble(trial, None) == []
    assert sections.crumble_answer(None) == []


def test_absent_tables_are_absent_parts(make_trial: MakeTrial) -> None:
    folder = _quay(make_trial, tumbles=_tumbles(lambda i: 2 + i % 5 * 0.3))
    study = _crumbled(folder).study
    assert isinstance(study.tumbles, TumbleStudy)
    assert study.drops is study.scores is study.index is None
    said = _everything_said(folder)
    assert "### In the tumble" in said
    assert "### Dropped" not in said
    assert "### Scored by hand" not in said


def test_one_part_that_cannot_answer_leaves_the_others(make_trial: MakeTrial) -> None:
    drops = "run,piece,height_cm,broke\n" + "".join(f"R{i},1,{30 + 10 * (i % 3)},no\n" for i in range(12))
    folder = _quay(make_trial, tumbles=_tumbles(lambda i: 2 + i % 5 * 0.3), drops=drops)
    study = _crumbled(folder).study
    assert isinstance(study.drops.fit, CannotAnswer)
    assert not isinstance(study.tumbles.fit, CannotAnswer)
    said = _everything_said(folder)
    assert "No breaking height can be given. No piece broke." in said
    assert "Drop some from higher up, until a few break." in said
    assert "How often levels break cannot be compared. No piece broke." in said


def test_losses_below_the_scale_are_told_not_called_nought(make_trial: MakeTrial) -> None:
    said = _everything_said(_quay(make_trial, tumbles=_tumbles(lambda i: 0)))
    assert "12 of 12 batches lost less than the scale can show." in said
    assert "less than the scale shows" in said
    few = _everything_said(
        _quay(make_trial, tumbles=_tumbles(lambda i: 0 if i == 3 else 0.4 + 0.1 * (i % 7)))
    )
    assert "Batch R3 lost less than half a step of the scale (0.1 g)" in few


def test_one_batch_a_level_is_too_few(make_trial: MakeTrial) -> None:
    text = "\n".join(_tumbles(lambda i: 2 + i * 0.1).splitlines()[:3]) + "\n"
    said = _everything_said(_quay(make_trial, tumbles=text))
    assert "2 batches leave no chance variation" in said
    assert "typical" not in said.splitlines()[-1]


def test_a_factor_that_did_not_change_is_named(make_trial: MakeTrial) -> None:
    lines = _tumbles(lambda i: 2 + i * 0.1).splitlines()
    only_dye = "\n".join([lines[0], *lines[2::2]]) + "\n"
    folder = _quay(make_trial, tumbles=only_dye)
    study = _crumbled(folder).study
    assert study.tumbles.known.levels == ("all batches",)
    assert len(study.tumbles.levels) == 1
    assert "Every batch had the same colour, so its effect is not known." in _everything_said(folder)


def test_uncounted_pieces_are_not_whole_pieces(make_trial: MakeTrial) -> None:
    folder = _quay(make_trial, tumbles=_tumbles(lambda i: 2 + i % 5 * 0.3, broken=""))
    study = _crumbled(folder).study
    assert study.tumbles.broken is None
    assert study.tumbles.shares == {}
    assert "broke:" not in _everything_said(folder)


# raters ----------------------------------------------------------------------------------------------------


def test_one_rater_is_told_to_find_another(make_trial: MakeTrial) -> None:
    said = _everything_said(_quay(make_trial, crumble_scores=_scores(lambda i, p, r: (i + p) % 5, ("Mo",))))
    assert "Only Mo scored, so it is not known whether another would score alike." in said
    assert "Let a second person score the same pieces" in said


def test_of_two_raters_nobody_is_called_wrong(make_trial: MakeTrial) -> None:
    def score(i: int, piece: int, rater: str) -> int:
        return (i + piece) % 4 + (rater == "Ines" and (i + piece) % 5 > 0)

    folder = _quay(make_trial, crumble_scores=_scores(score, ("Ines", "Mo")))
    scores = _crumbled(folder).study.scores
    assert set(scores.retrain) == {"Ines", "Mo"}
    sentence = agreement_findings(scores)[-1].sentence
    assert sentence.startswith(
        "Ines scores higher than Mo on the same pieces, by 0.8 points (95 % interval +"
    )
    assert "cannot say which of the two is right" in sentence


def test_raters_who_agree_need_no_training(make_trial: MakeTrial) -> None:
    def score(i: int, piece: int, rater: str) -> int:
        return (i + piece) % 5 if (i, piece, rater) != (3, 1, "Mo") else (i + piece + 1) % 5

    folder = _quay(make_trial, crumble_scores=_scores(score, ("Ines", "Mo", "Jorn")))
    scores = _crumbled(folder).study.scores
    assert scores.agreement.verdict == "agree"
    assert scores.retrain == ()
    assert "The raters mean the same by a score, well enough to rely on it" in _everything_said(folder)


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


# words -----------------------------------------------------------------------------------------------------


def test_no_difference_is_never_called_sameness(make_trial: MakeTrial) -> None:
    rng = np.random.default_rng(3)
    loss = 2 * np.exp(0.3 * rng.standard_normal(12))
    folder = _quay(
        make_trial,
        tumbles=_tumbles(lambda i: loss[i]),
        crumble_scores=_scores(lambda i, piece, rater: (i // 2 + piece) % 5, ("Ines",)),
    )
    found = _crumbled(folder).found
    assert len(found) == 2
    for each in found:
        assert not each.shown
        assert "difference in" in each.finding.sentence
        assert "could be shown" in each.finding.sentence
        assert "the readings fit anything in this interval" in each.finding.sentence
    said = _everything_said(folder).lower()
    assert "no difference between" not in said
    assert "the same as" not in said


def test_the_answer_is_two_sentences_at_most_and_all_of_it() -> None:
    for name in ("binder", "colour-ways"):
        found = _crumbled(shipped.demo(name)).found
        said = answer_findings(found)
        assert len(said) <= 2
        for each in found:
            where = next(f.sentence for f in said if f.topic.endswith("shown" if each.shown else "open"))
            assert each.pair.level in where


def test_many_comparisons_that_showed_nothing_are_told_in_one_sentence(make_trial: MakeTrial) -> None:
    levels = ["dye", "lake", "mica", "pearl", "clay"]
    toml = TOML.replace('levels = ["dye", "lake"]', f"levels = {json.dumps(levels)}")
    runs = "run,day,colour\n" + "".join(f"R{i},{i // 4},{levels[i % 5]}\n" for i in range(12))
    loss = 2 * np.exp(0.3 * np.random.default_rng(8).standard_normal(12))
    folder = _quay(make_trial, toml=toml, tumbles=_tumbles(lambda i: loss[i]))
    (folder / "runs.csv").write_text(runs)
    found = _crumbled(folder).found
    assert len(found) == 4
    (only,) = answer_findings(found)
    assert only.sentence == (
        "Crumbling: no difference in tumble loss could be shown; each is told below, with its interval."
    )


def test_directions_are_said_the_right_way_round(make_trial: MakeTrial) -> None:
    folder = _quay(make_trial, tumbles=_tumbles(lambda i: (4 if i % 2 == 0 else 2) + 0.1 * (i % 3)))
    (loss,) = _crumbled(folder).found
    assert loss.finding.estimate == pytest.approx(2, rel=0.1)
    assert loss.finding.sentence.startswith(
        "Pieces with lake lost more than those with dye: 2.0 % against 1.0 %"
    )


def test_open_ends_are_words_not_infinities(make_trial: MakeTrial) -> None:
    drops = "run,piece,height_cm,broke\n" + "".join(
        f"R{i},{piece},{height},{'yes' if height > 45 else 'no'}\n"
        for i in range(3)
        for piece, height in enumerate((30, 40, 50, 60))
    )
    said = _everything_said(_quay(make_trial, drops=drops))
    assert "inf" not in said.replace("information", "")
    assert "nan" not in said


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


def test_the_index_is_only_what_was_stated(make_trial: MakeTrial) -> None:
    tables = {
        "tumbles": _tumbles(lambda i: 2 + i * 0.2),
        "crumble_scores": _scores(lambda i, p, r: (i + p) % 5, ("Ines", "Mo")),
    }
    assert _crumbled(_quay(make_trial, **tables)).study.index is None
    index = _crumbled(_quay(make_trial, toml=TOML + INDEX, **tables)).study.index
    assert list(index.index) == [f"R{i}" for i in range(12)]
    # R4 lost 2.8 of 200 g, and its pieces scored 4, 0 and 1
    assert index["index"]["R4"] == pytest.approx(0.6 * 1.4 / 5 + 0.4 * (5 / 3) / 4)
    folder = _quay(make_trial, toml=TOML + INDEX, **tables)
    assert "The crumble index as trial.toml states it" in _everything_said(folder)
    (folder / "crumble_scores.csv").unlink()
    assert "needs score, and there are no crumble_scores" in _everything_said(folder)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            "[crumble]\nsurvives = 0.9\n",
            "key crumble.survives: fizzlab knows no such key. Did you mean survive?",
        ),
        ('[crumble]\ndrop_scale = "lin"\n', "key crumble.drop_scale: “lin” is none of its choices."),
        ("[crumble]\nsurvive = 0.4\n", "key crumble.survive:"),
        (INDEX.replace("0.4", "0.3"), "key crumble.index: the weights of the index add up to 0.9, not to 1."),
        (INDEX.replace("worst = 5\n", ""), "key crumble.index.loss_pct.worst: the key is missing."),
        (INDEX.replace("worst = 4", "worst = 0"), "best and worst must be two different numbers"),
        (INDEX.replace("loss_pct", "loss"), "key crumble.index.loss: fizzlab knows no such key."),
    ],
)
def test_settings_that_cannot_be(make_trial: MakeTrial, text: str, says: str) -> None:
    with pytest.raises(BadInput) as raised:
        load(_quay(make_trial, toml=TOML + text, tumbles=_tumbles(lambda i: 2)))
    assert says in str(raised.value)


def test_settings_reach_the_fits(tmp_path: Path) -> None:
    folder = shutil.copytree(shipped.demo("binder"), tmp_path / "binder")
    with (folder / "trial.toml").open("a") as file:
        file.write(
            '\n[crumble]\ntumble_scale = "logit"\ndrop_scale = "linear"\nsurvive = 0.8\nscale_step_g = 1\n'
        )
    crumbled = _crumbled(folder)
    assert crumbled.study.tumbles.fit.scale == "logit"
    assert crumbled.study.tumbles.fit.step_g == 1
    assert crumbled.study.drops.fit.scale == "linear"
    assert crumbled.study.drops.fit.survive == 0.8
    height = next(each for each in crumbled.found if each.measure.topic == "crumble.drop")
    assert height.finding.unit == "cm"
    assert "cm higher (95 % interval " in height.finding.sentence
    assert "80 % survive" in _everything_said(folder)
