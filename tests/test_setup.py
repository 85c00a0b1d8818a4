"""Setting up a trial by answers: in the terminal, and in the form; what somebody wrote by hand stays."""

from __future__ import annotations

import os
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from click.testing import CliRunner

from fizzlab.bench.planfiles import write_plan
from fizzlab.bench.setup import Setup
from fizzlab.cli.main import main
from fizzlab.trial import shipped
from fizzlab.trial.asking import Answers, Row
from fizzlab.trial.new import answers_of, draft
from fizzlab.trial.settings import read_settings

ROWS: dict[str, tuple[Row, ...]] = {
    "factors": (
        {"name": "colour", "values": "none, pearl"},
        {"name": "Gum", "values": "0,6; 1,2", "unit": "g"},
    ),
    "ingredients": (
        {"name": "soda", "kind": "baking soda", "amount": "1 cup"},
        {"name": "acid", "kind": "citric acid", "amount": "1/2 cup"},
        {"name": "gum", "kind": "other", "goes": "Gum"},
        {"name": "mica", "amount": "1/2 tsp", "goes": "colour = pearl"},
    ),
    "wishes": ({"name": "dry time", "at_most": "12", "best": "4", "worst": "12"},),
}
TOLD = {"title": "Two by two", "question": "Which?", "plan.repeats": "3", "plan.batches_per_day": "3"}

#: A 2 × 2 trial of 12 batches on 4 days, with slips: no unit, a number in letters, a strange kind.
TYPED = """\
Pearl and gum
Does pearl or gum slow drying?
colour
none, pearl
gum
0.6, 1.2

gum
0.6, 1.2
g


four
4
2, 3, 4, 6, 8


3
3

soda
baking soda
1 cup

thing
foo
1 g

thing
other

gum

6

dry time

12
4
12


repeats
3

"""


def test_a_trial_of_two_by_two_is_planned_without_editing_a_file(tmp_path: Path) -> None:
    made = tmp_path / "made"
    result = CliRunner().invoke(main, ["new", str(made)], input=TYPED)
    assert result.exit_code == 0, result.output
    for reason in (
        "Gum: “0.6, 1.2” has no unit.",
        "fizzlab does not know the kind “foo”",
        "12 batches on 4 days: full factorial.",
        "Day 4: R10",
        "of 100 such trials",
        "Batch R01, code",
    ):
        assert reason in result.output, reason
    settings, problems = read_settings(made)
    assert problems == []
    assert settings is not None
    assert settings.responses["dry_h"].best == 4
    assert len(write_plan(made).planned.runs) == 12


def test_an_answer_that_does_not_fit_is_asked_again_and_the_others_stay(tmp_path: Path) -> None:
    options = ["--title", "t", "--levels", "a=x,y", "--levels", "b=u,v", "--kind", "compare", "--days", "4"]
    typed = "q?\n\n\n\n\n\nfactorial\n2\n4\n\n\n\n\n"
    result = CliRunner().invoke(main, ["new", str(tmp_path / "new"), *options], input=typed)
    assert result.exit_code == 0, result.output
    assert "compares the levels of one factor, not of 2" in result.output
    assert "Not used by a plan of the kind “factorial”: --days." in result.output
    settings, _ = read_settings(tmp_path / "new")
    assert settings is not None
    assert (settings.plan.kind, settings.plan.repeats) == ("factorial", 2) if settings.plan else False


def test_dates_are_asked_again_until_they_are_dates(tmp_path: Path) -> None:
    options = [
        "--title",
        "t",
        "--levels",
        "a=x,y",
        "--days",
        "2",
        "--per-day",
        "2",
        "--tables",
        "touch_checks",
    ]
    days = ["next week", "2026-03-06", "fri, mon, Sonntag", "FRI, monday", "7 to 22", "6:30-23:00"]
    typed = "\n".join(["q?", *[""] * 4, *days, *[""] * 3, ""])
    result = CliRunner().invoke(main, ["new", str(tmp_path / "new"), *options], input=typed)
    assert result.exit_code == 0, result.output
    assert "“next week” is no date that a trial could have. Write it as 2026-03-06." in result.output
    assert "Sonntag" in result.output
    assert (
        "“7 to 22” is not from when to when on one day; write it as 07:00-22:30. Change it." in result.output
    )
    assert "Day 2, Mon 9 Mar: 06:30 R03 " in result.output
    text = (tmp_path / "new" / "trial.toml").read_text(encoding="utf-8")
    assert "start = 2026-03-06   # the first day of making" in text
    assert 'awake = "6:30-23:00"   # looks outside of it are moved' in text
    assert draft(answers_of(text), text).text == text


@pytest.mark.parametrize("name", [each.name for each in shipped.demo_trials()])
def test_what_was_read_and_answered_alike_changes_nothing(name: str) -> None:
    before = (shipped.demo(name) / "trial.toml").read_text(encoding="utf-8")
    assert draft(answers_of(before), before).text == before


def test_what_somebody_wrote_by_hand_stays() -> None:
    before = draft(Answers(TOLD, ROWS)).text
    before = before.replace('amount = "1 cup"', 'amount = "1 cup"   # level\nprice = 2.4\npack = "1 kg"')
    before = before.replace("[plan]\n", '[plan]\nforbidden = [{ colour = "pearl", gum = 1.2 }]   # clumps\n')
    answers = answers_of(before).tell("plan.repeats", "4").tell("place", "Quay")
    parts = answers.rows["ingredients"]
    oil = {"name": "oil", "kind": "coconut oil", "amount": "1 tbsp"}
    answers = answers.tell("ingredients", ({**parts[0], "amount": "2 cup"}, *parts[1:], oil))
    made = draft(answers, before)
    changed = {*made.text.splitlines()} - {*before.splitlines()}
    assert changed == {
        'place = "Quay"             # your workshop, as it should stand on the report',
        "repeats = 4   # how often each combination is made; once leaves little to judge by",
        'amount = "2 cup"   # level',
        'name = "oil"',
        'kind = "coconut oil"',
        'amount = "1 tbsp"',
    }
    assert made.faults == []
    assert made.settings is not None
    assert made.settings.recipe is not None
    assert made.settings.recipe.ingredients[0].price == 2.4


@pytest.mark.slow
def test_the_form_shows_the_plan_and_writes_what_the_terminal_writes(tmp_path: Path) -> None:
    # a browser of earlier tests may have left a running event loop in this thread; the form would wait for it
    with ThreadPoolExecutor(1) as thread:
        thread.submit(_filled_in, tmp_path).result()


def _filled_in(tmp_path: Path) -> None:
    form = Setup(str(tmp_path / "made"))
    assert "Title: It is empty." in form.seen.value
    for key, said in TOLD.items():
        form.fields[key].value = said
    for key, rows in ROWS.items():
        for at, row in enumerate(rows):
            for name, said in row.items():
                form.fields[key].lines[at][name].value = said
    for heading in ("The plan", "Its calendar", "What it can tell", "The first bench card"):
        assert f"<h3>{heading}</h3>" in form.seen.value
    assert form.plan().endswith("Planned: bench-sheet.html, readings.xlsx.")
    text = (tmp_path / "made" / "trial.toml").read_text(encoding="utf-8")
    assert text == draft(Answers(TOLD, ROWS), code="made").text
    assert form.boxes["plan.awake"].layout.display == "none"
    form.fields["plan.start"].value = "2026-03-06"
    assert form.boxes["plan.awake"].layout.display is None
    form.fields["plan.awake"].value = "late"
    assert "“late” is not from when to when on one day" in form.reasons["plan.awake"].value
    form.fields["plan.awake"].value = "06:30-22:00"
    assert "<li>Day 1, Fri 6 Mar: 06:30 R01 " in form.seen.value
    assert form.plan().endswith("readings.xlsx, calendar.ics.")
    form.fields["plan.batches_per_day"].value = "lots"
    assert "lots" in form.reasons["plan.batches_per_day"].value


@pytest.mark.slow
def test_a_season_that_changes_nothing_is_set_up_by_terminal_and_form(tmp_path: Path) -> None:
    typed = ["A damp winter", "How much longer?", "", "", "season", "", "", "", "4", "2", *[""] * 4]
    result = CliRunner().invoke(main, ["new", str(tmp_path / "asked")], input="\n".join(typed) + "\n")
    assert result.exit_code == 0, result.output
    assert "between the dampest day and the driest." in result.output
    form = Setup(str(tmp_path / "filled"))
    told = {"title": "A damp winter", "question": "How much longer?", "plan.kind": "season"}
    for key, said in (told | {"plan.days": "4", "plan.batches_per_day": "2"}).items():
        form.fields[key].value = said
    form._now()
    assert form.boxes["factors"].layout.display == "none"
    assert form.plan().endswith("Planned: bench-sheet.html, readings.xlsx.")
    asked, filled = ((tmp_path / each / "trial.toml").read_text("utf-8") for each in ("asked", "filled"))
    assert asked.replace('"asked"', '"filled"') == filled
    assert main(["check", str(tmp_path / "filled")], standalone_mode=False) is None


def test_a_new_line_of_the_form_leaves_what_is_being_typed_above_it(tmp_path: Path) -> None:
    form = Setup(str(tmp_path))
    lines = form.fields["factors"]
    first = lines.view.children[1]
    lines.lines[0]["name"].value = "oil"
    form._now()
    assert len(lines.view.children) == 3
    assert lines.view.children[1] is first  # a page draws anew what is another box
    form.folder.value = str(shipped.demo("colour-ways"))
    form._now(form.open)
    assert len(lines.view.children) == 1 + len(lines.lines)
    assert first not in lines.view.children


@pytest.mark.slow
def test_the_form_holds_nothing_of_the_trial_before(tmp_path: Path) -> None:
    form = Setup(str(shipped.demo("cores")))
    assert form.fields["title"].value
    form.folder.value = str(tmp_path / "nowhere")
    assert form.open().startswith("A new trial")
    assert form._typed() == Setup(str(tmp_path / "nowhere"))._typed()
    assert "The plan" not in form.seen.value


def test_a_second_new_trial_begins_empty_in_a_folder_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "notebooks").mkdir()
    monkeypatch.chdir(tmp_path / "notebooks")
    form = Setup("")
    assert form.folder.value == "../my-trial"
    form.fields["title"].value, form.fields["question"].value = "One", "Which?"
    form._soon(form.write)
    again = Setup("")
    assert (again.folder.value, again.fields["title"].value) == ("../my-trial-2", "")


def test_a_file_that_changed_since_it_was_opened_is_not_written_over(tmp_path: Path) -> None:
    path = tmp_path / "trial.toml"
    path.write_text(draft(Answers(TOLD, ROWS)).text, encoding="utf-8")
    form = Setup(str(tmp_path))
    path.write_text(path.read_text(encoding="utf-8") + "# mine\n", encoding="utf-8")
    form._soon(form.write)
    assert "it was changed since it was opened" in form.message.value
    assert path.read_text(encoding="utf-8").endswith("# mine\n")


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="Windows has no pseudo-terminals")
def test_in_a_real_terminal(tmp_path: Path) -> None:
    import pty

    pid, terminal = pty.fork()
    if not pid:
        os.execv(sys.executable, [sys.executable, "-m", "fizzlab", "new", str(tmp_path / "made")])
    seen = ""
    for line in ["T", "Q?", "colour", "none, pearl", *[""] * 20]:
        end = time.monotonic() + 60
        while not seen.rstrip(" ").endswith(":") and time.monotonic() < end:
            try:
                seen += os.read(terminal, 4096).decode()
            except OSError:
                break
        if "Plan the batches with" in seen:
            break
        seen = ""
        os.write(terminal, f"{line}\n".encode())
        time.sleep(0.05)
        if (tmp_path / "made").exists():
            break
    assert os.waitpid(pid, 0)[1] == 0
    assert read_settings(tmp_path / "made")[1] == []
