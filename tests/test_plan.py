"""From trial.toml to the files of a plan: settings, amounts, statements, and what is never written over."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from planned_trials import ALIKE, COLOUR, GUM, HEAD, KINDS, READ, RECIPE, amount, toml

from fizzlab.bench.cards import RunCard, make_cards
from fizzlab.bench.planfiles import write_plan
from fizzlab.bench.planning import plan_trial
from fizzlab.cli.main import main
from fizzlab.design.kinds import KINDS as PLAN_KINDS
from fizzlab.errors import BadInput, CannotAnswer
from fizzlab.recipe.amounts import batch_mass, weigh_out
from fizzlab.recipe.ingredients import for_run
from fizzlab.trial.folder import load
from fizzlab.trial.settings import TrialSettings, read_settings

FACTORIAL = HEAD + COLOUR + GUM + '[plan]\nkind = "factorial"\nrepeats = 2\nbatches_per_day = 6\n' + READ
WITH_RECIPE = FACTORIAL + RECIPE
Folder = Callable[[str], Path]


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    """Return a function that writes a trial.toml into a folder of its own."""

    def make(text: str) -> Path:
        made = tmp_path / "quay"
        made.mkdir(exist_ok=True)
        (made / "trial.toml").write_text(text, encoding="utf-8")
        return made

    return make


@pytest.fixture
def settings(folder: Folder) -> Callable[[str], TrialSettings]:
    def read(text: str) -> TrialSettings:
        found, problems = read_settings(folder(text))
        assert found is not None, [str(problem) for problem in problems]
        return found

    return read


def _snapshot(path: Path) -> dict[str, str]:
    return {
        item.name: hashlib.sha256(item.read_bytes()).hexdigest() for item in path.iterdir() if item.is_file()
    }


def test_every_kind_of_plan_has_an_example() -> None:
    said = "".join([*KINDS.values(), ALIKE])
    assert all(f'kind = "{kind}"' in said for kind in PLAN_KINDS)


#: Checksums of the runs of each kind: a trial.toml gives the same plan as ever.
SAME_AS_EVER = {
    "compare": "884fd7ea4443",
    "compare amounts": "48638755c967",
    "factorial": "9d31ba790e83",
    "fractional factorial": "6207e97a795b",
    "central composite": "4ec7e4ffbac7",
    "mixture": "b27006544f34",
    "split plot": "77a4e15100b9",
    "season": "e092dff0b211",
    "once more": "945bac0d755c",
}


@pytest.mark.parametrize("kind", KINDS)
def test_a_plan_is_the_same_as_ever(kind: str, settings: Callable[[str], TrialSettings]) -> None:
    runs = plan_trial(settings(toml(kind))).runs.round(6).to_csv(index=False)
    assert hashlib.sha256(runs.encode()).hexdigest()[:12] == SAME_AS_EVER[kind]


@pytest.mark.parametrize("kind", KINDS)
def test_a_plan_keeps_its_numbers_and_its_seed(kind: str, settings: Callable[[str], TrialSettings]) -> None:
    wishes = settings(toml(kind))
    planned, again = plan_trial(wishes), plan_trial(wishes)
    pd.testing.assert_frame_equal(planned.runs, again.runs)
    other = plan_trial(wishes.model_copy(update={"seed": 8}))
    assert list(other.runs["blind"]) != list(planned.runs["blind"])
    assert planned.runs["run"].is_unique
    assert planned.runs["blind"].str.fullmatch(r"[1-9]\d\d").all()
    assert planned.runs["blind"].is_unique
    per_day = wishes.plan.batches_per_day if wishes.plan else None
    if per_day is not None:
        assert planned.runs["day"].value_counts().max() <= per_day
    for name, factor in wishes.factors.items():
        if factor.numeric:
            low, high = factor.range()
            assert planned.runs[name].between(low - 1e-9, high + 1e-9).all()
        else:
            assert set(planned.runs[name]) == set(factor.levels or [])


def test_the_mixture_adds_up(settings: Callable[[str], TrialSettings]) -> None:
    runs = plan_trial(settings(toml("mixture"))).runs
    assert runs[["oil_g", "alcohol_g", "emulsifier_g"]].sum(axis=1).to_numpy() == pytest.approx(12)


def test_the_room_keeps_one_setting_a_day(settings: Callable[[str], TrialSettings]) -> None:
    runs = plan_trial(settings(toml("split plot"))).runs
    assert (runs.groupby("day")["air"].nunique() == 1).all()


def test_statements_say_aliases_spare_batches_and_what_is_added(
    settings: Callable[[str], TrialSettings],
) -> None:
    planned = plan_trial(settings(toml("fractional factorial")))
    said = " ".join(planned.statements(("A quarter is seen 8 times in 10.",)))
    assert "joint effect of oil and gum cannot be told from the joint effect of starch and salt" in said
    assert "spare batches beyond those that the answers use up" in said
    assert "A quarter is seen 8 times in 10." in said


def test_statements_call_factors_by_their_labels(settings: Callable[[str], TrialSettings]) -> None:
    text = toml("compare").replace("[factors.colour]", '[factors.colour]\nlabel = "Colourant"')
    said = plan_trial(settings(text.replace('label = ""\n', ""))).statements()
    assert said[1] == "It can tell the effect of Colourant."
    assert said[2].endswith("of them true repeats.")


def test_one_level_against_a_control_is_said_in_the_singular(
    settings: Callable[[str], TrialSettings],
) -> None:
    said = plan_trial(settings(toml("compare amounts"))).statements()
    assert "1 level against a control" in said[0]


# amounts


def _grams(card: RunCard) -> dict[str, float]:
    assert card.recipe is not None
    return {each.ingredient.name: each.grams.typical for each in weigh_out(card.recipe)}


def test_amounts_of_a_run_are_those_of_the_recipe_at_its_levels(
    settings: Callable[[str], TrialSettings],
) -> None:
    wishes = settings(WITH_RECIPE)
    planned = plan_trial(wishes)
    for card, row in zip(planned.cards.cards, planned.runs.to_dict("records"), strict=True):
        grams = _grams(card)
        assert grams["gum"] == pytest.approx(row["gum_g"])
        # three weighings of a tablespoon, 12.233 g on average; half a cup is eight of them
        assert grams["acid"] == pytest.approx(8 * (12.1 + 12.4 + 12.0) / 3)
        assert ("<pearl & shine>" in grams) == (row["colour"] == "pearl")
        assert ("dye" in grams) == (row["colour"] == "dye")


SCALED = WITH_RECIPE.replace("piece_g = 85", "piece_g = 85\nscale_to_moulds = true\nspare = 0.1")


def test_scaling_fills_the_moulds_and_leaves_what_factors_set_or_bring(
    settings: Callable[[str], TrialSettings],
) -> None:
    wishes = settings(SCALED)
    plain, planned = plan_trial(settings(WITH_RECIPE)), plan_trial(wishes)
    base = wishes.made_recipe()
    assert base is not None
    assert base.scaled > 1
    masses = [batch_mass(card.recipe).typical for card in planned.cards.cards if card.recipe]
    assert min(masses) == pytest.approx(6 * 85 * 1.1)
    for before, after in zip(plain.cards.cards, planned.cards.cards, strict=True):
        was, now = _grams(before), _grams(after)
        times = {"soda": base.scaled, "acid": base.scaled}
        assert now == pytest.approx({name: grams * times.get(name, 1) for name, grams in was.items()})
    for card, row in zip(planned.cards.cards, planned.runs.to_dict("records"), strict=True):
        # on the card, in runs, and by the recipe that a report works with: one number
        assert _grams(card)["gum"] == row["gum_g"]
        assert for_run(base, {name: row[name] for name in wishes.factors}) == card.recipe


def test_a_batch_added_later_is_scaled_alike(settings: Callable[[str], TrialSettings]) -> None:
    wishes = settings(SCALED)
    every = plan_trial(wishes)
    last = make_cards(wishes, every.runs.iloc[-1:]).cards
    assert last == every.cards.cards[-1:]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("amounts = [0.6, 1.2]", "amounts = [600, 1200]"),  # the gum alone is more than the moulds take
        ('amount = "1/2 tsp", price = 5', 'amount = "2 lb", price = 5'),
    ],
)
def test_what_factors_set_or_bring_may_not_fill_the_moulds(old: str, new: str, folder: Folder) -> None:
    text = (
        SCALED.replace(old, new)
        .replace("lake = []\n", "")
        .replace('"pearl", "dye", "lake"', '"pearl", "dye"')
    )
    text = text.replace('amount = "5 drops"', 'amount = "900 g"').replace('top_up_after = "dye"\n', "")
    made = folder(text)
    result = CliRunner().invoke(main, ["plan", str(made)])
    assert result.exit_code == 2
    assert "what the factors set or bring weighs" in result.stderr
    assert "key recipe.scale_to_moulds" in result.stderr
    assert [path.name for path in made.iterdir()] == ["trial.toml"]


BEND = (
    HEAD
    + amount("gum_g", 20, 30)
    + amount("oil_g", 1, 3)
    .replace("oil_g", "drops")
    .replace('"g"', '"drop"')
    .replace("1", "10")
    .replace("3", "40")
    + '[plan]\nkind = "central composite"\nbatches_per_day = 7\n'
    + READ
)
DROPS = RECIPE.partition("[recipe.by_factor.gum_g]")[0] + (
    '[[recipe.ingredients]]\nname = "scent"\nkind = "essential oil"\namount = "10 drops"\n\n'
    '[recipe.by_factor.gum_g]\nsets = "gum"\n[recipe.by_factor.drops]\nsets = "scent"\n'
)


@pytest.mark.parametrize("step", [0.1, 0.5, 1.0])
def test_a_plan_chooses_amounts_that_the_scale_can_weigh(
    step: float, settings: Callable[[str], TrialSettings]
) -> None:
    free = plan_trial(settings(BEND)).runs
    assert ((free["gum_g"] / 0.1) % 1).round(6).nunique() > 1  # without a recipe nothing is weighed
    runs = plan_trial(settings(BEND + f"[bench]\nscale_g = {step}\n" + DROPS)).runs
    assert (runs["gum_g"] / step).round(9).map(float.is_integer).all()
    assert runs["drops"].map(float.is_integer).all()
    assert (runs["gum_g"] - free["gum_g"]).abs().max() <= step / 2 + 1e-9


def test_a_top_up_that_does_not_fit_names_the_batch(settings: Callable[[str], TrialSettings]) -> None:
    wishes = settings(WITH_RECIPE.replace('"5 drops"', '"90 drops"'))
    with pytest.raises(BadInput) as raised:
        plan_trial(wishes)
    assert "colour dye" in str(raised.value)
    assert "90 drops" in str(raised.value)


def test_a_card_needs_no_recipe(settings: Callable[[str], TrialSettings]) -> None:
    cards = plan_trial(settings(FACTORIAL)).cards
    assert all(card.recipe is None for card in cards.cards)


def test_a_limit_of_the_maker_is_said_on_the_card(settings: Callable[[str], TrialSettings]) -> None:
    strict = RECIPE.replace('role = "other"', 'role = "other"\nmax_pct = 0.3')
    cards = plan_trial(settings(FACTORIAL + strict)).cards
    over = [card for card in cards.cards if any("above your limit of 0.3 %" in note for note in card.notes)]
    assert {dict(card.levels)["gum"] for card in over} == {"1.2 g"}


# settings that do not fit


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('kind = "citric acid"', 'kind = "citric acd"', "(acid).kind: fizzlab does not know the kind"),
        ('kind = "citric acid"', 'kind = "citric acd"', "Did you mean “citric acid”?"),
        ('kind = "citric acid"', 'kind = "vinegar"\nrole = "acid"', "“vinegar” is not an acid"),
        ('amount = "1/2 cup"', 'amount = "half a cup"', 'ingredients (acid).amount: "half a cup" is not an'),
        ('amount = "1/2 cup"', 'amount = "1/2"', "has no unit"),
        ('amount = "1/2 cup"', 'amount = "1-2 cups"', "is a range"),
        (
            'amount = "1/2 cup"',
            'amuont = "1/2 cup"',
            "(acid).amuont: fizzlab knows no such key. Did you mean",
        ),
        ('measure = "1 tbsp"', 'measure = "10 g"', "own_weighing.measure: what was weighed is not a spoon"),
        ('amount = "1 g"', 'amount = "1 tsp"', '(gum).amount: no density of "xanthan gum" is known here.'),
        ('role = "other"', 'role = "binder"', "(gum).role: “binder” is none of its choices."),
        ('name = "gum"', 'name = "soda"', "“soda” stands there twice."),
        ('sets = "gum"', 'sets = "gumm"', "by_factor.gum_g.sets: the recipe has no ingredient “gumm”."),
        (
            'sets = "gum"',
            'multiplies = ["x"]',
            "by_factor.gum_g.multiplies: the recipe has no ingredient “x”",
        ),
        ('sets = "gum"', 'sets = "gum"\nunit = "handfuls"', "“handfuls” is not a unit"),
        ('sets = "gum"', 'sets = "gum"\nmultiplies = ["soda"]', "give exactly one of sets, brings or multip"),
        (
            "by_factor.gum_g",
            "by_factor.gum",
            "by_factor.gum: the trial has no such factor. Did you mean gum_g",
        ),
        ("lake = []", "", "by_factor.colour.brings: nothing is said for the level “lake”."),
        ("lake = []", "lak = []", "brings.lak: the factor has no such level. Did you mean lake?"),
        (
            'top_up_after = "dye"',
            'top_up_after = "dyee"',
            "top_up_after: the recipe has no ingredient “dyee”",
        ),
        ("price = 2.4\n", "", "(soda): price and pack belong together."),
        ("piece_g = 85", "scale_to_moulds = true", "scale_to_moulds needs pieces, and piece_g or mould"),
        (
            'kind = "factorial"',
            'kind = "factoral"',
            "plan.kind: “factoral” is none of its choices. Did you mean",
        ),
        ("repeats = 2", "repeat = 2", "plan.repeat: fizzlab knows no such key. Did you mean repeats?"),
        ("repeats = 2", "total = 2", "plan.total: a plan of the kind “factorial” has no use for it."),
        ("repeats = 2", 'forbidden = [{ colour = "red" }]', "the factor has no level “red”."),
        ("repeats = 2", 'forbidden = [{ gum_g = "much" }]', "“much” is not a number."),
        ("repeats = 2", "forbidden = [{ oil = 2 }]", "the trial has no factor “oil”."),
        ("repeats = 2", 'model = ["colour:oil"]', "plan.model: the trial has no factor “oil”."),
        (
            '"weighings"',
            '"wieghings"',
            "fizzlab has no table “wieghings” to fill in. Did you mean weighings?",
        ),
        ("checks_h = [2, 4, 8, 24]", "checks_h = [4, 2]", "the hours of checks_h must go up"),
        (
            "checks_h = [2, 4, 8, 24]",
            'checks_h = [2, "x"]',
            "plan.checks_h (2): input should be a valid number",
        ),
        ('raters = ["Ann", "=Bo"]', 'raters = ["Ann", "Ann"]', "a rater is named twice"),
        ('amounts = [0.6, 1.2]\nunit = "g"', "low = 2\nhigh = 1", "low must be less than high"),
        ('amounts = [0.6, 1.2]\nunit = "g"', "low = 2", "low and high belong together"),
        ("amounts = [0.6, 1.2]", "amounts = [0.6, 1.2]\nlow = 1\nhigh = 2", "0.6 lies outside low and high"),
        ("amounts = [0.6, 1.2]", "amounts = [-0.6, 1.2]", "the factor goes below zero"),
    ],
)
def test_settings_that_do_not_fit_are_named_by_key(old: str, new: str, says: str, folder: Folder) -> None:
    assert old in WITH_RECIPE
    made = folder(WITH_RECIPE.replace(old, new, 1))
    before = _snapshot(made)
    result = CliRunner().invoke(main, ["plan", str(made)])
    assert result.exit_code == 2
    assert says in result.stderr
    assert "Traceback" not in result.output
    assert _snapshot(made) == before


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (toml("factorial").replace("repeats = 2", "repeats = 1"), "No batch is left over to judge chance"),
        (
            toml("compare").replace("days = 3\nbatches_per_day = 4", "days = 1\nbatches_per_day = 3"),
            "left over",
        ),
        (toml("compare").replace("batches_per_day = 4", "batches_per_day = 1"), "left over"),
        (
            toml("factorial").replace("repeats = 2", "repeats = 2\nforbidden = [{ gum_g = 1.2 }]"),
            "never changes",
        ),
        (toml("split plot").replace("days = 6", "days = 2"), "too few for air"),
        (
            toml("split plot").replace("batches_per_day = 3", "batches_per_day = 2"),
            "A day of 2 batches cannot hold every combination of colour",
        ),
    ],
)
def test_hopeless_plans_are_refused_with_the_reason(text: str, why: str, folder: Folder) -> None:
    made = folder(text)
    result = CliRunner().invoke(main, ["plan", str(made)])
    assert result.exit_code == 2, result.output
    assert why in result.stderr
    assert [path.name for path in made.iterdir()] == ["trial.toml"]


@pytest.mark.parametrize(
    ("kind", "needs"),
    [
        ("central composite", "which is not among its amounts. Give low and high"),
        ("fractional factorial", "tries two amounts, and leaves 2 out"),
    ],
)
def test_amounts_that_a_kind_cannot_use_are_said(kind: str, needs: str, folder: Folder) -> None:
    text = toml(kind).replace(amount("oil_g", 1, 3), '[factors.oil_g]\namounts = [1, 2, 3]\nunit = "g"\n')
    text = text.replace("centre_points = 3", "repeats = 2")
    with pytest.raises(BadInput) as raised:
        write_plan(folder(text))
    assert needs in str(raised.value)


def test_a_trial_without_a_plan_says_what_to_add(folder: Folder) -> None:
    with pytest.raises(BadInput, match=r"there is no section \[plan\]"):
        write_plan(folder(HEAD + COLOUR))


def test_factors_of_one_label_keep_a_column_each(settings: Callable[[str], TrialSettings]) -> None:
    text = FACTORIAL.replace('control = "pearl"', 'label = "shade"').replace('unit = "g"', 'label = "shade"')
    table = plan_trial(settings(text)).level_table()
    assert list(table.columns) == ["shade (colour)", "shade (gum_g)"]


# files


def test_the_command_writes_three_files_and_says_what_they_tell(folder: Folder) -> None:
    made = folder(WITH_RECIPE)
    result = CliRunner().invoke(main, ["plan", str(made)])
    assert result.exit_code == 0, result.output
    assert sorted(path.name for path in made.iterdir()) == [
        "bench-sheet.html",
        "readings.xlsx",
        "records",
        "records-head.txt",
        "trial.toml",
    ]
    assert "12 batches on 2 days" in result.output
    assert "can differ by a fifth or more" in result.output
    trial = load(made)
    assert list(trial.batches().index) == [f"R{number:02d}" for number in range(1, 13)]
    assert all("no reading" in str(doubt) for doubt in trial.doubts)


def test_prepared_rows_hold_every_piece_and_hour(folder: Folder) -> None:
    made = folder(FACTORIAL)
    write_plan(made)
    book = openpyxl.load_workbook(made / "readings.xlsx")
    rows = list(book["touch_checks"].iter_rows(values_only=True))
    assert rows[0] == ("(day)", "(tray)", "(date)", "run", "piece", "hours", "dry", "note", "leave_out")
    assert {row[3:6] for row in rows[1:]} == {
        (f"R{run:02d}", str(piece), hour)
        for run in range(1, 13)
        for piece in (1, 2)
        for hour in (2, 4, 8, 24)
    }
    assert len(rows) == 1 + 12 * 2 * 4
    assert book["touch_checks"].freeze_panes == "G2"
    rules = {str(rule.sqref): rule.formula1 for rule in book["touch_checks"].data_validations.dataValidation}
    assert '"yes,no"' in rules.values()
    assert not any(sheet.protection.sheet for sheet in book)
    scores = list(book["crumble_scores"].iter_rows(values_only=True))[1:]
    head, *runs = book["runs"].iter_rows(values_only=True)
    assert head == (
        "run", "day", "blind", "colour", "gum_g", "made_at", "sprays", "note", "leave_out"
    )  # fmt: skip
    codes = {row[0]: row[2] for row in runs}
    assert {row[3]: row[:2] for row in rows[1:]} == {row[0]: row[1:3] for row in runs}
    first = [row[2] for row in scores if row[3] == "1" and row[4] == "Ann"]
    assert set(first) == set(codes.values())  # whoever scores sees the codes alone
    assert first[:6] == sorted(first[:6])  # by code within the first day, which says nothing of the recipe
    assert not (made / "runs.csv").exists()  # a table stands in one place only


def test_formula_like_text_stays_text(folder: Folder) -> None:
    made = folder(FACTORIAL)
    write_plan(made)
    book = openpyxl.load_workbook(made / "readings.xlsx")
    title, rater = book["how to fill in"]["A1"], book["crumble_scores"]["E49"]
    assert (title.value, title.data_type) == ("=Two ways of colouring", "s")
    assert (rater.value, rater.data_type) == ("=Bo", "s")


def test_a_plan_without_readings_is_replaced_and_said(folder: Folder) -> None:
    made = folder(FACTORIAL)
    write_plan(made)
    (made / "trial.toml").write_text(FACTORIAL.replace("seed = 7", "seed = 8"))
    before = _snapshot(made)
    written = write_plan(made)
    assert written.replaced == ("readings.xlsx",)
    after = _snapshot(made)
    assert before["readings.xlsx"] != after["readings.xlsx"]
    assert set(after) == set(before)


def _with_reading(made: Path) -> None:
    book = openpyxl.load_workbook(made / "readings.xlsx")
    book["touch_checks"]["G5"] = "no"
    book.save(made / "readings.xlsx")


def _with_drop(made: Path) -> None:
    book = openpyxl.load_workbook(made / "readings.xlsx")
    book["drops"]["D2"] = "R01"
    book.save(made / "readings.xlsx")


def _with_own_sheet(made: Path) -> None:
    book = openpyxl.load_workbook(made / "readings.xlsx")
    book.create_sheet("my thoughts")["A1"] = "lavender sells"
    book.save(made / "readings.xlsx")


def _made_batch(made: Path) -> None:
    book = openpyxl.load_workbook(made / "readings.xlsx")
    book["runs"]["F4"] = "2026-01-05T09:00"
    book.save(made / "readings.xlsx")


def _own_list(made: Path) -> None:
    (made / "runs.csv").write_text("run,day,colour,gum_g\nA,1,dye,0.6\n")


def _own_table(made: Path) -> None:
    (made / "weighings.csv").write_text("run,piece,hours,mass_g\nR01,1,0,80\n")


def _open_elsewhere(made: Path) -> None:
    (made / ".~lock.readings.xlsx#").write_text("Ann")


def _broken_book(made: Path) -> None:
    (made / "readings.xlsx").write_bytes(b"not a workbook")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (_with_reading, "readings.xlsx, sheet touch_checks, row 5: readings stand in it."),
        (_with_drop, "readings.xlsx, sheet drops, row 2: readings stand in it."),
        (_with_own_sheet, "sheet my thoughts: it is a sheet of your own, which would be lost."),
        (_made_batch, "readings.xlsx, sheet runs, row 4: batches that were made stand in it"),
        (_own_list, "runs.csv: its list of batches was not written by a plan"),
        (_own_table, "weighings.csv: it holds 1 rows"),
        (_open_elsewhere, "readings.xlsx: it is open in a spreadsheet."),
        (_broken_book, "readings.xlsx: it cannot be read as a workbook"),
    ],
)
def test_nothing_of_the_maker_is_written_over(
    change: Callable[[Path], None], says: str, folder: Folder
) -> None:
    made = folder(FACTORIAL)
    write_plan(made)
    change(made)
    before = _snapshot(made)
    result = CliRunner().invoke(main, ["plan", str(made)])
    assert result.exit_code == 2
    assert says in result.stderr
    assert _snapshot(made) == before


@pytest.mark.slow
def test_a_failure_half_way_leaves_the_earlier_plan(folder: Folder, monkeypatch: pytest.MonkeyPatch) -> None:
    import fizzlab.trial.placing as room

    made = folder(FACTORIAL)
    write_plan(made)
    (made / "trial.toml").write_text(FACTORIAL.replace("seed = 7", "seed = 8"))
    before, ledger = _snapshot(made), (made / "records" / "ledger.jsonl").read_bytes()
    real = room.os.replace

    def refuse(source: Path, target: Path) -> None:
        if Path(target).name == "readings.xlsx" and "undo" not in str(source):
            raise PermissionError(13, "in use", str(target))
        real(source, target)

    monkeypatch.setattr(room.os, "replace", refuse)
    result = CliRunner().invoke(main, ["plan", str(made)])
    assert result.exit_code == 2
    assert _snapshot(made) == before
    assert [path.name for path in made.iterdir() if path.is_dir()] == ["records"]
    assert [path.name for path in (made / "records").iterdir()] == ["ledger.jsonl"]
    assert ledger == (made / "records" / "ledger.jsonl").read_bytes()


# a new trial


def _started(
    made: Path, levels: list[str] | None = None, amounts: list[str] | None = None, *more: str
) -> Result:
    options = [part for each in levels or [] for part in ("--levels", each)]
    options += [part for each in amounts or [] for part in ("--amounts", each)]
    return CliRunner().invoke(main, ["new", str(made), "--title", "t", "--question", "q?", *options, *more])


@pytest.mark.parametrize(
    ("levels", "amounts", "more"),
    [
        (["colour=pearl,dye,lake"], [], []),
        (["colour=pearl,dye 2"], ["gum_g=0.6,1.2:g"], []),
        (["air=plain,dried", "colour=pearl,dye"], [], ["--kind", "split plot", "--days", "6"]),
        ([], [f"{name}=1 to 3:g" for name in "abcd"], ["--kind", "fractional factorial", "--per-day", "4"]),
        ([], ["oil=1 to 3:g", "gum=0.2 to 1:g"], ["--kind", "central composite"]),
        ([], ["oil=2 to 8:g", "spirit=2 to 8:g", "gum=0 to 3:g"], ["--kind", "mixture", "--total", "12"]),
        ([], [], ["--kind", "season", "--days", "5", "--per-day", "2"]),
        ([], [], ["--kind", "repeatability", "--tables", "crumble_scores", "--raters", "Ann, Bo"]),
    ],
    ids=[
        "compare",
        "factorial",
        "split plot",
        "fractional factorial",
        "central composite",
        "mixture",
        "season",
        "repeatability",
    ],
)
def test_a_new_trial_of_each_kind_can_be_planned_as_it_stands(
    levels: list[str], amounts: list[str], more: list[str], tmp_path: Path
) -> None:
    made = tmp_path / "new"
    result = _started(made, levels, amounts, *more)
    assert result.exit_code == 0, result.output
    assert "\nPlan the batches with: fizzlab plan" in result.output
    assert write_plan(made).replaced == ()
    load(made)


def _uncommented(made: Path) -> None:
    path = made / "trial.toml"
    before, mark, rest = path.read_text().partition("# [recipe]\n")
    recipe, end, after = rest.partition("[drying]")
    lines = [line.removeprefix("#").removeprefix(" ") for line in recipe.splitlines()]
    path.write_text(before + mark.removeprefix("# ") + "\n".join(lines) + "\n" + end + after)
    assert mark


def test_the_recipe_of_a_new_trial_works_once_uncommented(tmp_path: Path) -> None:
    made = tmp_path / "new"
    _started(made, ["colour=pearl,dye 2"], ["gum_g=0.6,1.2:g"])
    _uncommented(made)
    planned = write_plan(made).planned
    assert all(len(_grams(card)) == 4 for card in planned.cards.cards)


@pytest.mark.parametrize("control", ["none", "Without"])
def test_a_level_that_is_nothing_adds_nothing_to_the_recipe(control: str, tmp_path: Path) -> None:
    made = tmp_path / "new"
    _started(made, [f"colour={control},pearl,lake"])
    _uncommented(made)
    for card in write_plan(made).planned.cards.cards:
        colours = {*_grams(card)} & {control, "pearl", "lake"}
        assert colours == set(dict(card.levels).values()) - {control}


def test_a_factor_with_capitals_keeps_them_as_its_label(tmp_path: Path) -> None:
    made = tmp_path / "new"
    _started(made, ["Farbe=none,pearl"], ["Oil left=1,2:g"])
    planned = write_plan(made).planned
    assert list(planned.settings.factors) == ["farbe", "oil_left"]
    assert list(planned.level_table().columns) == ["Farbe", "Oil left"]


@pytest.mark.parametrize(
    ("option", "says"),
    [
        ("farbe!=a,b", "option --levels: write the factor “farbe!” in small letters, digits and _ only."),
        ("Day=a,b", "option --levels: a factor may not be called “day”, a name fizzlab uses itself."),
        ("colour=a,A", "option --levels: a level is named twice."),
        ("colour=a", "option --levels: colour: “a” names one way only, and nothing to compare it with."),
        ("gum=1,2", "option --amounts: gum: “1,2” has no unit. Say what it is measured in"),
    ],
)
def test_an_option_that_is_no_factor_is_named(option: str, says: str, tmp_path: Path) -> None:
    made = tmp_path / "new"
    levels, amounts = ([], [option]) if option.startswith("gum") else ([option], [])
    result = _started(made, levels, amounts)
    assert result.exit_code == 2
    assert says in result.stderr.replace("\n", " ")
    assert not made.exists()


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (["--kind", "guess"], "option --kind: “guess” is none of its choices"),
        (
            ["--kind", "factorial", "--days", "4"],
            "option --days: a plan of the kind “factorial” has no use for it.",
        ),
    ],
)
def test_an_option_that_does_not_fit_leaves_no_folder(more: list[str], says: str, tmp_path: Path) -> None:
    result = _started(tmp_path / "new", ["colour=a,b"], [], *more)
    assert result.exit_code == 2
    assert says in result.stderr
    assert not (tmp_path / "new").exists()


def test_one_batch_a_day_can_be_planned_and_says_how_it_is_judged(folder: Folder) -> None:
    text = toml("compare").replace("days = 3\nbatches_per_day = 4", "days = 9\nbatches_per_day = 1")
    result = CliRunner().invoke(main, ["plan", str(folder(text))])
    assert result.exit_code == 0, result.output
    said = " ".join(result.output.split())
    assert "9 batches on 9 days: 2 levels against a control, at random over the days." in said
    assert "what differs from day to day counts as scatter between batches" in said


def test_a_refused_plan_is_cannot_answer(settings: Callable[[str], TrialSettings]) -> None:
    with pytest.raises(CannotAnswer):
        plan_trial(settings(toml("compare").replace("batches_per_day = 4", "batches_per_day = 1")))


def test_cards_follow_the_runs_they_are_given(settings: Callable[[str], TrialSettings]) -> None:
    wishes = settings(WITH_RECIPE)
    one = pd.DataFrame([{"run": "X", "day": "1", "blind": "", "colour": "lake", "gum_g": 0.9}])
    (card,) = make_cards(wishes, one).cards
    assert (card.run, card.levels) == ("X", (("colour", "lake"), ("gum", "0.9 g")))


def test_the_examples_of_the_guide_are_read_as_they_stand(
    folder: Folder, settings: Callable[[str], TrialSettings]
) -> None:
    guide = (Path(__file__).parent.parent / "docs" / "plan-a-trial.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```toml\n(.*?)```", guide, re.DOTALL)
    factors = '[factors.colour]\nlevels = ["none", "pearl", "dye"]\n'
    factors += '[factors.binder_g]\namounts = [1, 2]\nunit = "g"\n'
    gum = (
        '[[recipe.ingredients]]\nname = "xanthan gum"\nkind = "xanthan gum"\nrole = "other"\namount = "1 g"\n'
    )
    again, season, plan, dates, recipe, bench = blocks
    assert plan_trial(settings(HEAD + season)).plan.error_df == {"days": 7, "runs": 9}
    plan += dates.removeprefix("[plan]\n")
    assert plan_trial(settings(HEAD + again)).wishes.readers()[:2] == [("1", "Ann"), ("2", "Bo")]
    recipe = recipe.replace("[recipe.by_factor.binder_g]", gum + "[recipe.by_factor.binder_g]")
    planned = write_plan(folder(HEAD + factors + plan + recipe + bench)).planned
    assert len(planned.runs) == 12
    assert list(planned.runs["planned_at"])[::6] == ["2026-03-06T07:00", "2026-03-09T07:00"]


@pytest.mark.slow
def test_spreads_of_an_earlier_trial_replace_the_assumption(tmp_path: Path) -> None:
    from fizzlab.trial import shipped

    folder = tmp_path / "quay"
    folder.mkdir()
    (folder / "trial.toml").write_text(toml("compare"), encoding="utf-8")
    assumed = CliRunner().invoke(main, ["plan", str(folder)])
    measured = CliRunner().invoke(main, ["plan", str(folder), "--earlier", str(shipped.demo("season"))])
    assert assumed.exit_code == measured.exit_code == 0, measured.output
    assert "an assumption without a source" in assumed.output
    assert "These spreads are those found in the trial season." in measured.output
    nowhere = CliRunner().invoke(main, ["plan", str(folder), "--earlier", str(tmp_path / "nowhere")])
    assert nowhere.exit_code == 2
    assert "there is no such folder" in nowhere.stderr


def test_the_guide_names_every_kind_and_every_key() -> None:
    guide = (Path(__file__).parent.parent / "docs" / "plan-a-trial.md").read_text(encoding="utf-8")
    for kind in PLAN_KINDS.values():
        assert f"`{kind.name}`" in guide
        assert all(f"`{key}`" in guide or f"{key} =" in guide for key in (*kind.options, *kind.needs))
