"""Which combination to keep: from trial.toml to the page and findings.json."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from html import unescape
from pathlib import Path

import pandas as pd
import pytest
from sound_trial import TOML

from fizzlab.design.plans import Plan
from fizzlab.errors import BadInput, CannotAnswer
from fizzlab.models.choose import Confirmation
from fizzlab.report import parts as sections
from fizzlab.report.analysis import analyse
from fizzlab.report.page import Findings, Grid, Notes
from fizzlab.report.parts.choose import Chosen
from fizzlab.report.parts.confirm import Outcome
from fizzlab.report.run import write_report
from fizzlab.trial import shipped
from fizzlab.trial.folder import Trial, load

MakeTrial = Callable[..., Path]


def chosen_of(trial: Trial) -> Chosen | CannotAnswer | None:
    return sections.choosing(analyse(trial))


def cores_with(folder: Path, *changes: tuple[str, str]) -> Trial:
    """The demo copied, with pieces of its trial.toml replaced."""
    source = shipped.demo("cores")
    for file in source.iterdir():
        if file.is_file():
            (folder / file.name).write_bytes(file.read_bytes())
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return load(folder)


def lines_of(pieces: list[object]) -> list[str]:
    said = [line for piece in pieces if isinstance(piece, Notes) for line in piece.lines]
    for piece in pieces:
        if isinstance(piece, Findings) and piece.kind != "silent":
            said += [finding.sentence for finding in piece.findings]
    return said


@pytest.fixture(scope="module")
def cores() -> Chosen:
    found = chosen_of(load(shipped.demo("cores")))
    assert isinstance(found, Chosen)
    return found


def test_the_truth_of_the_demo_decides(cores: Chosen) -> None:
    """The demo was made so that gum with lake crumbles beyond the limit; nothing else does."""
    met = cores.choice.table.set_index(["binder", "colour"])["meets_all"]
    assert met["gum", "lake"] < 0.2
    assert (met.drop(("gum", "lake")) > 0.7).all()
    assert cores.choice.best["binder"] == "emulsifier"
    assert set(cores.choice.responses) == {"dry_h", "tumble_loss_pct", "fizz_s", "foam_mm", "cost"}
    assert not cores.not_judged
    table = cores.choice.table
    assert (table["meets_all_low"] <= table["meets_all"]).all()
    assert (table["meets_all"] <= table["meets_all_high"] + 0.01).all()


def test_what_to_make_next(cores: Chosen) -> None:
    told = cores.confirmation
    assert isinstance(told, Confirmation)
    assert (told.batches, told.days) == (3, 3)
    assert "cost" not in told.table.index
    assert (told.table["low"] < told.table["expected"]).all()
    plan = cores.further
    assert isinstance(plan, Plan)
    assert len(plan.runs) == 6
    assert (plan.runs.groupby("day")["binder"].nunique() == 1).all()  # the binder is the day's


def test_the_page_and_the_findings_tell_the_same(demo_reports: dict[str, Path], cores: Chosen) -> None:
    page = unescape(demo_reports["cores"].read_text(encoding="utf-8")).replace("\u00a0", " ")
    assert "<h2>Which to keep</h2>" in page
    findings = json.loads((demo_reports["cores"].parent / "findings.json").read_text(encoding="utf-8"))
    ours = [each for each in findings if each["topic"].startswith("choice.")]
    assert {each["topic"].split(".")[1] for each in ours} == {
        "best",
        "best_chance",
        "meets_all",
        "meets",
        "confirm",
    }
    for each in ours:
        assert each["sentence"] in page
        if each["unit"] == "chance" and 0.005 < each["estimate"] < 0.995:
            assert f"{100 * each['estimate']:.0f}" in re.findall(r"\d+(?= %)", each["sentence"])
    best = next(each for each in ours if each["topic"].startswith("choice.best."))
    assert best["estimate"] == pytest.approx(float(cores.choice.best["meets_all"]))


def test_other_demos_have_no_such_section(demo_reports: dict[str, Path]) -> None:
    for name, report in demo_reports.items():
        if name != "cores":
            assert "Which to keep" not in report.read_text(encoding="utf-8")


def test_a_sentence_on_drying_names_the_share_and_the_air(cores: Chosen) -> None:
    trial = load(shipped.demo("cores"))
    pieces = sections.choice(trial, cores)
    said = lines_of(pieces)
    assert any("95 % of its pieces dry within 8 h" in line for line in said)
    assert "Dry times are forecast at 17 °C and 70 % humidity." in pieces
    tables = [piece.rows for piece in pieces if isinstance(piece, Grid)]
    assert "95 % of pieces dry, h" in tables[0].columns
    assert len(tables[0]) == 6


def test_what_was_asked_and_not_measured_is_named(tmp_path: Path) -> None:
    trial = cores_with(
        tmp_path,
        ("[choose]", "[responses.drop_cm]\nat_least = 20\n\n[responses.gas_pct]\nat_least = 80\n\n[choose]"),
    )
    found = chosen_of(trial)
    assert isinstance(found, Chosen)
    assert set(found.not_judged) == {"drop_cm", "gas_pct"}
    said = lines_of(sections.choice(trial, found))
    assert any(
        line.startswith("Breaking height is asked for in trial.toml and not judged here.") for line in said
    )
    assert "every limit but that on breaking height and gas that came" in said[0]


def test_when_nothing_is_good_enough_it_says_so(tmp_path: Path) -> None:
    trial = cores_with(tmp_path, ("at_least = 10", "at_least = 40"))
    found = chosen_of(trial)
    assert isinstance(found, Chosen)
    said = lines_of(sections.choice(trial, found))
    assert said[0].startswith("No combination can be counted on.")
    assert not any(line.startswith("Keep ") for line in said)


def test_a_settled_choice_needs_no_more_batches(tmp_path: Path) -> None:
    """Only the cheapest combination keeps to a limit on the cost."""
    trial = cores_with(
        tmp_path,
        ('want = "less"\nbest = 0.10\nworst = 0.20', "at_most = 0.109"),
    )
    found = chosen_of(trial)
    assert isinstance(found, Chosen)
    assert float(found.choice.best["best_chance"]) > 0.95
    assert isinstance(found.further, CannotAnswer)
    said = lines_of(sections.choice(trial, found))
    assert said[0].startswith("Keep gum + dye")
    assert any(line.startswith("None are needed.") for line in said)


def test_no_limit_and_no_wish_no_section(tmp_path: Path) -> None:
    text = (shipped.demo("cores") / "trial.toml").read_text(encoding="utf-8")
    start, end = text.index("[responses.dry_h]"), text.index("[drying]")
    keep = '[responses.foam_mm]\nlabel = "foam after a minute"\nunit = "mm"\nscale = "difference"\n\n'
    trial = cores_with(tmp_path, (text[start:end], keep))
    assert chosen_of(trial) is None
    assert sections.choice(trial, None) == []


def test_nothing_measured_of_what_is_asked(make_trial: MakeTrial) -> None:
    trial = load(make_trial(trial__toml=f"{TOML}\n[responses.gas_pct]\nat_least = 80\n"))
    found = chosen_of(trial)
    assert isinstance(found, CannotAnswer)
    said = lines_of(sections.choice(trial, found))
    assert said[0].startswith("No combination can be chosen.")
    assert "It was not measured." in said[0]


def test_a_response_may_bear_the_name_of_a_column_of_the_choice(tmp_path: Path) -> None:
    """The crumble score is a response, and the table of a choice has a score of its own."""
    source = shipped.demo("colour-ways")
    for file in source.iterdir():
        if file.is_file():
            (tmp_path / file.name).write_bytes(file.read_bytes())
    toml = tmp_path / "trial.toml"
    text = toml.read_text(encoding="utf-8").split("[earlier]")[0]
    toml.write_text(f"{text}\n[responses.score]\nat_most = 2\n", encoding="utf-8")
    trial = load(tmp_path)
    found = chosen_of(trial)
    assert isinstance(found, Chosen)
    table = next(piece.rows for piece in sections.choice(trial, found) if isinstance(piece, Grid))
    for cell in table["Crumble score, points"]:
        value, low, high = (float(each) for each in re.findall(r"\d+\.?\d*", cell)[:3])
        assert low <= value <= high
    plan = found.further
    assert isinstance(plan, Plan)  # its batches have no blind codes to go on from
    assert plan.runs.groupby("day").size().max() <= 3


def confirming(folder: Path, losing: float = 1.0) -> Path:
    """Two trials: the demo, and its batches of emulsifier and pearl as batches that confirm it."""
    source = shipped.demo("cores")
    shutil.copytree(source, folder / "cores", ignore=shutil.ignore_patterns("records"))
    again = folder / "again"
    again.mkdir()
    for file in source.glob("*.csv"):
        table = pd.read_csv(file, dtype=str, keep_default_na=False)
        if "run" in table:
            runs = pd.read_csv(source / "runs.csv", dtype=str)
            mine = runs.loc[(runs["binder"] == "emulsifier") & (runs["colour"] == "pearl"), "run"]
            table = table[table["run"].isin(set(mine))]
        if file.name == "tumbles.csv":
            before = table["before_g"].astype(float)
            lost = losing * (before - table["after_g"].astype(float))
            table = table.assign(after_g=(before - lost).round(1).astype(str))
        table.to_csv(again / file.name, index=False)
    text = (source / "trial.toml").read_text(encoding="utf-8")
    factors = text[text.index("[factors.binder]") : text.index("[plan]")]
    (again / "trial.toml").write_text(
        'code = "again"\ntitle = "Cores again"\nquestion = "Does it hold?"\n\n'
        f'[confirms]\ntrial = "../cores"\n\n{factors}'
        '[responses.foam_mm]\nlabel = "foam after a minute"\nunit = "mm"\nscale = "difference"\n',
        encoding="utf-8",
    )
    return again


def test_batches_that_confirm_are_set_beside_their_forecast(tmp_path: Path) -> None:
    """The very batches that the choice rests on must come out as forecast."""
    trial = load(confirming(tmp_path))
    found = chosen_of(trial)
    assert isinstance(found, Outcome)
    seen = {each.response: each for each in found.seen}
    assert set(seen) == {"dry_h", "tumble_loss_pct", "fizz_s", "foam_mm"}
    assert all(each.agrees for each in found.seen)
    counted = {name: (each.batches, each.days) for name, each in seen.items()}
    assert counted == {"foam_mm": (2, 2)} | dict.fromkeys(  # the foam of one batch was not read
        ["dry_h", "tumble_loss_pct", "fizz_s"], (3, 3)
    )
    assert seen["dry_h"].seen_low < seen["dry_h"].seen_high
    assert seen["tumble_loss_pct"].kept == 3
    said = lines_of(sections.choice(trial, found))
    assert said[0].startswith("The confirmation batches came out as forecast")


def test_batches_that_crumble_do_not_confirm(tmp_path: Path) -> None:
    trial = load(confirming(tmp_path, losing=3.0))
    found = chosen_of(trial)
    assert isinstance(found, Outcome)
    assert {each.response: each.agrees for each in found.seen}["tumble_loss_pct"] is False
    said = lines_of(sections.choice(trial, found))
    assert said[0].startswith("Not as forecast: tumble loss of emulsifier + pearl.")


def test_a_confirmation_makes_a_record_of_its_own(tmp_path: Path) -> None:
    report = write_report(confirming(tmp_path))
    page = unescape(report.read_text(encoding="utf-8")).replace("\u00a0", " ")
    assert "<h2>Did it come out as forecast?</h2>" in page
    findings = json.loads((report.parent / "findings.json").read_text(encoding="utf-8"))
    ours = [each for each in findings if each["topic"].startswith("choice.confirmed.")]
    assert len(ours) == 4
    assert all(each["sentence"] in page for each in ours)
    prints = json.loads((report.parent / "inputs.json").read_text(encoding="utf-8"))["inputs_sha256"]
    assert "../cores/runs.csv" in prints


@pytest.mark.parametrize("said", [".", "../nowhere"])
def test_a_trial_that_is_not_there_is_said(tmp_path: Path, said: str) -> None:
    again = confirming(tmp_path)
    toml = again / "trial.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace("../cores", said), encoding="utf-8")
    with pytest.raises(BadInput, match="is not the folder of another trial"):
        load(again)
