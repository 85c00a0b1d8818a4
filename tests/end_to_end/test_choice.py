"""Which combination to keep: from trial.toml to the page and findings.json."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from html import unescape
from pathlib import Path

import pandas as pd
import pytest
from sound_trial import TOML

from fizzlab.errors import BadInput, CannotAnswer
from fizzlab.report import parts as sections
from fizzlab.report.analysis import Analysis, analyse
from fizzlab.report.page import Findings, Grid, Notes
from fizzlab.report.parts import confirm
from fizzlab.report.parts.choose import Judgement, choosing, further, keep_sentence
from fizzlab.report.parts.confirm import beside, came_out
from fizzlab.report.run import write_report
from fizzlab.trial import shipped
from fizzlab.trial.folder import Trial, load

MakeTrial = Callable[..., Path]


def chosen_of(done: Analysis) -> Judgement:
    found = choosing(done)
    assert found is not None
    return found


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
def cores() -> Analysis:
    return analyse(load(shipped.demo("cores")))


def test_the_truth_of_the_demo_decides(cores: Analysis) -> None:
    """The demo was made so that gum with lake crumbles beyond the limit; nothing else does."""
    chosen = chosen_of(cores)
    table = chosen.choice.table
    met = table.set_index(["binder", "colour"])["meets"]
    assert met["gum", "lake"] < 0.2
    assert (met.drop(("gum", "lake")) > 0.7).all()
    assert chosen.choice.best["binder"] == "emulsifier"
    assert set(chosen.choice.responses) == {"dry_h", "tumble_loss_pct", "fizz_s", "foam_mm", "cost"}
    assert chosen.choice.shares == {"dry_h": 0.95}
    assert not chosen.reasons
    assert (table["meets_low"] <= table["meets"]).all()
    assert (table["meets"] <= table["meets_high"] + 0.01).all()


def test_what_to_make_next(cores: Analysis) -> None:
    choice = chosen_of(cores).choice
    bounds = choice.confirm(3)
    assert "cost" not in bounds.index
    assert (bounds["conf_low"] < bounds["estimate"]).all()
    plan = further(cores.trial, choice)
    assert len(plan.runs) == 6
    assert (plan.runs.groupby("day")["binder"].nunique() == 1).all()  # the binder is the day's


def test_the_page_and_the_findings_tell_the_same(demo_reports: dict[str, Path], cores: Analysis) -> None:
    page = unescape(demo_reports["cores"].read_text(encoding="utf-8")).replace("\u00a0", " ")
    assert "<h2>Which to keep</h2>" in page
    findings = json.loads((demo_reports["cores"].parent / "findings.json").read_text(encoding="utf-8"))
    ours = [each for each in findings if each["topic"].startswith("choice.")]
    kinds = {each["topic"].split(".")[1] for each in ours}
    assert kinds == {"best", "best_chance", "meets_all", "meets", "confirm"}
    assert all(each["sentence"] in page for each in ours)
    best = next(each for each in ours if each["topic"].startswith("choice.best."))
    assert best["estimate"] == pytest.approx(float(chosen_of(cores).choice.best["meets"]))


def test_other_demos_have_no_such_section(demo_reports: dict[str, Path]) -> None:
    for name, report in demo_reports.items():
        if name != "cores":
            assert "Which to keep" not in report.read_text(encoding="utf-8")


def test_the_answer_in_words(cores: Analysis) -> None:
    """The one snapshot of these sentences."""
    pieces = sections.choice(cores)
    said = keep_sentence(chosen_of(cores))
    assert said.startswith("Keep emulsifier + pearl for now, for its dry time: nearly every new batch keeps ")
    assert lines_of(pieces)[:3] == [
        "It is the best with a chance of 78 %. "
        "Gum + pearl (14 %) or emulsifier + lake (6 %) could also be best.",
        "Dry time of 95 % of the pieces at most 8 h and foam after a minute at least 10 mm rule out none.",
        "Tumble loss at most 4 % rules out gum + lake.",
    ]
    assert "Dry times are forecast at 17 °C and 70 % humidity." in lines_of(pieces)
    (table,) = [piece.rows for piece in pieces if isinstance(piece, Grid) and piece.method]
    assert "Dry time of 95 % of the pieces, h" in table.columns
    assert len(table) == 6


@pytest.mark.slow
def test_what_was_asked_and_not_measured_is_named(tmp_path: Path) -> None:
    trial = cores_with(
        tmp_path,
        ("[choose]", "[responses.drop_cm]\nat_least = 20\n\n[responses.gas_pct]\nat_least = 80\n\n[choose]"),
    )
    done = analyse(trial)
    assert set(chosen_of(done).reasons) == {"drop_cm", "gas_pct"}
    said = lines_of(sections.choice(done))
    assert any(line.startswith("Breaking height is not judged here.") for line in said)
    assert "every limit but that on breaking height and gas that came" in keep_sentence(chosen_of(done))


@pytest.mark.slow
def test_when_nothing_is_good_enough_it_says_so(tmp_path: Path) -> None:
    done = analyse(cores_with(tmp_path, ("at_least = 10", "at_least = 40")))
    assert keep_sentence(chosen_of(done)).startswith("No combination can be counted on")
    said = lines_of(sections.choice(done))
    assert not any(line.startswith("Keep ") for line in said)


@pytest.mark.slow
def test_a_settled_choice_needs_no_more_batches(tmp_path: Path) -> None:
    """Only the cheapest combination keeps a limit on the cost."""
    done = analyse(cores_with(tmp_path, ('want = "less"\nbest = 0.10\nworst = 0.20', "at_most = 0.109")))
    assert chosen_of(done).choice.settled
    with pytest.raises(CannotAnswer, match="None are needed"):
        further(done.trial, chosen_of(done).choice)
    said = lines_of(sections.choice(done))
    assert keep_sentence(chosen_of(done)).startswith("Keep gum + dye, for its ")
    assert any(line.startswith("None are needed") for line in said)


@pytest.mark.slow
def test_no_limit_and_no_wish_no_section(tmp_path: Path) -> None:
    text = (shipped.demo("cores") / "trial.toml").read_text(encoding="utf-8")
    start, end = text.index("[responses.dry_h]"), text.index("[drying]")
    keep = '[responses.foam_mm]\nlabel = "foam after a minute"\nunit = "mm"\nscale = "difference"\n\n'
    done = analyse(cores_with(tmp_path, (text[start:end], keep)))
    assert choosing(done) is None
    assert sections.choice(done) == []


def test_nothing_measured_of_what_is_asked(make_trial: MakeTrial) -> None:
    done = analyse(load(make_trial(trial__toml=f"{TOML}\n[responses.gas_pct]\nat_least = 80\n")))
    with pytest.raises(CannotAnswer, match="was not measured"):
        choosing(done)
    assert lines_of(sections.choice(done))[0].startswith("No combination can be chosen.")


@pytest.mark.slow
def test_a_response_may_bear_the_name_of_a_column_of_the_choice(tmp_path: Path) -> None:
    """The crumble score is a response, and the table of a choice has a score of its own."""
    source = shipped.demo("colour-ways")
    for file in source.iterdir():
        if file.is_file():
            (tmp_path / file.name).write_bytes(file.read_bytes())
    toml = tmp_path / "trial.toml"
    text = toml.read_text(encoding="utf-8").split("[earlier]")[0]
    toml.write_text(f"{text}\n[responses.score]\nat_most = 2\n", encoding="utf-8")
    done = analyse(load(tmp_path))
    choice = chosen_of(done).choice
    assert choice.responses["score"]["estimate"].between(0, 4).all()
    assert choice.table["score"].between(0, 1).all()
    plan = further(done.trial, choice)  # its batches have no blind codes to go on from
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


@pytest.mark.slow
def test_batches_that_confirm_are_set_beside_their_forecast(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The very batches that the choice rests on must come out as forecast."""
    done = analyse(load(confirming(tmp_path)))
    assert done.trial.confirms is not None
    found, _ = beside(done, chosen_of(analyse(done.trial.confirms)).choice)
    seen = {each["response"]: each for each in found}
    assert all(each["agrees"] for each in found)
    assert {name: each["batches"] for name, each in seen.items()} == {"foam_mm": 2} | dict.fromkeys(
        ["dry_h", "tumble_loss_pct", "fizz_s"],
        3,  # the foam of one batch was not read
    )
    assert seen["dry_h"]["seen_low"] < seen["dry_h"]["seen_high"]
    assert seen["tumble_loss_pct"]["kept"] == 3
    assert came_out(done) == ["Yes: the confirmation batches came out as forecast."]
    voice, seen, notes = confirm._seen(done)
    wide = [each | {"confirms": False} for each in seen]
    monkeypatch.setattr(confirm, "_seen", lambda _: (voice, wide, notes))
    (verdict,) = came_out(done)
    assert verdict.startswith("Can't tell yet. ")
    assert "reach past the limit, so batches within them confirm nothing" in verdict
    monkeypatch.setattr(confirm, "_seen", lambda _: (voice, [seen[0], *wide[1:]], notes))
    assert came_out(done)[0].startswith("Yes")
    assert "confirm nothing" in came_out(done)[1]
    assert sections.choice(done) == []


@pytest.mark.slow
def test_batches_that_crumble_do_not_confirm(tmp_path: Path) -> None:
    done = analyse(load(confirming(tmp_path, losing=3.0)))
    assert came_out(done)[0] == "No: tumble loss of emulsifier + pearl did not come out as forecast."


@pytest.mark.slow
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
