"""The form of setup.ipynb: what `fizzlab new` asks in the terminal, with the plan beside it as one answers.

Widgets only. The questions, what the answers make and what is wrong with them are the business of
`fizzlab.trial.asking`, `fizzlab.trial.new` and `fizzlab.bench.trying`.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from functools import partial
from html import escape
from importlib import resources
from itertools import count
from pathlib import Path
from typing import Any, get_args

import ipywidgets as widgets

from fizzlab.bench.planfiles import write_plan
from fizzlab.bench.planning import plan_power
from fizzlab.bench.trying import Tried, try_out
from fizzlab.errors import FizzlabError, refuse
from fizzlab.language import say, translated
from fizzlab.recipe.ingredients import Role
from fizzlab.recipe.units import DENSITIES
from fizzlab.trial.asking import ASKS, Answers, Ask, Row, split
from fizzlab.trial.new import answers_of, reason, text_of, write
from fizzlab.trial.settings import FILE

#: Nothing is worked out until the page has sent no more of what is typed for so many seconds.
TYPED_S = 0.25

Changed = Callable[[object], None]


class Ticks:
    """Several of some choices; `value` is their names between commas."""

    def __init__(self, choices: Mapping[str, str], changed: Changed) -> None:
        self.ticks: dict[str, Any] = {}
        for name, said in choices.items():
            self.ticks[name] = widgets.Checkbox(description=said, indent=False)
            self.ticks[name].observe(changed, "value")
        self.view = widgets.VBox([*self.ticks.values()])

    @property
    def value(self) -> str:
        return ", ".join(name for name, tick in self.ticks.items() if tick.value)

    @value.setter
    def value(self, said: str) -> None:
        for name, tick in self.ticks.items():
            tick.value = name in split(said)


class Lines:
    """The lines of an answer that takes several, always with an empty one below."""

    def __init__(self, ask: Ask, changed: Changed) -> None:
        self.ask, self.changed = ask, changed
        heads = " · ".join(each.label for each in ask.fields)
        self.head = widgets.HTML(f"<p>{escape(ask.say)}</p><p><b>{escape(heads)}</b></p>")
        self.lines: list[dict[str, Any]] = []
        self.view = widgets.VBox()

    @property
    def value(self) -> tuple[Row, ...]:
        return tuple({key: str(field.value) for key, field in line.items()} for line in self.lines)

    @value.setter
    def value(self, rows: tuple[Row, ...]) -> None:
        self.lines, self.view.children = [self._line(row) for row in rows], ()

    def grow(self, answers: Answers) -> None:
        """See to an empty line below, and to what is offered."""
        if not self.lines or self.lines[-1]["name"].value:
            self.lines.append(self._line({}))
        for line in self.lines:
            for key, field in line.items():
                offered = tuple(answers.choices(f"{self.ask.key}.{key}"))
                if isinstance(field, widgets.Combobox) and offered not in ((), field.options):
                    field.options = offered
        kept = self.view.children or (self.head,)  # anew, a line would lose what is being typed into it
        new = [widgets.HBox([*line.values()]).add_class("fs-line") for line in self.lines[len(kept) - 1 :]]
        if new:
            self.view.children = [*kept, *new]

    def _line(self, row: Row) -> dict[str, Any]:
        known = {"wishes.name": (), "ingredients.kind": (*DENSITIES, *get_args(Role)), "ingredients.goes": ()}
        line: dict[str, Any] = {}
        for each in self.ask.fields:
            options = known.get(f"{self.ask.key}.{each.key}")
            field = widgets.Text if options is None else partial(widgets.Combobox, options=options)
            label, tip = translated(each.label), translated(each.words)
            said = {"description": label, "tooltip": tip, "value": row.get(each.key, "")}
            line[each.key] = field(**said, placeholder=each.example or label, continuous_update=False)
            line[each.key].add_class(f"fs-{each.key}").observe(self.changed, "value")
        return line


class Setup:
    """The form for one trial folder, in `view`; `answers` are those typed so far."""

    def __init__(self, folder: str) -> None:
        self.answers, self.before, self._filling = Answers(), "", True
        self._presses: list[Callable[[], str]] = []
        self._task: asyncio.Task[None] | None = None
        self.fields = {key: self._field(ask) for key, ask in ASKS.items()}
        self.reasons = {key: widgets.HTML().add_class("fs-bad") for key in ASKS}
        views = {key: field.view if hasattr(field, "view") else field for key, field in self.fields.items()}
        heads = {key: escape(translated(ask.section)) for key, ask in ASKS.items() if ask.section}
        head = {key: [widgets.HTML(f"<h2>{words}</h2>")] for key, words in heads.items()}
        self.boxes = {
            key: widgets.VBox([*head.get(key, ()), view, self.reasons[key]]) for key, view in views.items()
        }
        often, seldom = (
            [self.boxes[k] for k, ask in ASKS.items() if ask.seldom is is_] for is_ in (False, True)
        )
        form: list[Any] = [*often, widgets.HTML(f"<h2>{escape(say('seldom_needed'))}</h2>"), *seldom]
        new = (f"../my-trial{f'-{number}' * (number > 1)}" for number in count(1))
        folder, named = folder or next(each for each in new if not Path(each).exists()), say("folder_field")
        self.folder = widgets.Text(folder, description=named, continuous_update=False)
        self.folder.observe(lambda _: self._soon(self._where), "value")
        self.message, self.seen = widgets.HTML().add_class("fs-message"), widgets.HTML()
        left = [self.folder, self._button(say("press_open"), self.open), *form]
        done = [self._button(say("press_write"), self.write), self._button(say("press_plan"), self.plan)]
        right = [widgets.HBox(done), self.message, self.seen]
        two = [widgets.VBox(left).add_class("fs-form"), widgets.VBox(right).add_class("fs-seen")]
        css = resources.files("fizzlab.bench").joinpath("templates", "setup.css").read_text("utf-8")
        parts = [widgets.HTML(f"<style>{css}</style>"), widgets.HBox(two).add_class("fs-two")]
        self.view = widgets.VBox(parts).add_class("fizzlab-setup")
        self._now(self.open)

    def _field(self, ask: Ask) -> Any:
        """What an answer is given in."""
        if ask.kind == "rows":
            return Lines(ask, self._changed)
        choices = self.answers.choices(ask.key)
        if ask.kind == "names" and choices:
            return Ticks(choices, self._changed)
        said = {"description": translated(ask.label), "tooltip": translated(ask.words)}
        field = widgets.Text(continuous_update=False, **said)
        if choices:
            options = [(f"{name}: {words}", name) for name, words in choices.items()]
            field = widgets.Dropdown(options=[(say("as_suits"), ""), *options], **said)
        field.observe(self._changed, "value")
        return field

    def _button(self, words: str, do: Callable[[], str]) -> widgets.Button:
        button = widgets.Button(description=words, tooltip=words)
        button.on_click(lambda _: self._soon(do))
        return button

    def _changed(self, _: object) -> None:
        if not self._filling:
            self._soon()

    def _soon(self, *presses: Callable[[], str]) -> None:
        """Work out what was typed, then do what was pressed, once the page has sent all of it."""
        self._presses += presses
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            self._now()
            return
        if self._task is not None:
            self._task.cancel()
        self._task = loop.create_task(self._when_typed())

    async def _when_typed(self) -> None:
        seen = None
        while seen != (seen := self._typed()):
            await asyncio.sleep(TYPED_S)
        self._now()

    def _now(self, *more: Callable[[], object]) -> None:
        """Show what was typed, then do what was pressed; whatever fails says so."""
        presses, self._presses = [*self._presses, *more], []
        for do in (self.refresh, *presses):
            try:
                words, look = do(), ""
            except Exception as error:
                known = isinstance(error, FizzlabError | OSError)
                why = error if known else f"{type(error).__name__}: {error}"
                words, look = say("not_done", why=why), "fs-bad"
            if isinstance(words, str):
                self.message.value = f'<p role="status" class="{look}">{escape(words)}</p>'

    def _typed(self) -> Answers:
        answers = Answers()
        for key, field in self.fields.items():
            answers = answers.tell(key, field.value)
        return answers

    def open(self) -> str:
        """Hold nothing of the trial before, then read that of the folder; returns what to say."""
        path = Path(self.folder.value, FILE)
        self._fill(Answers(), "")
        if not path.exists():
            return self._where()
        before = text_of(path)
        self._fill(answers_of(before), before)
        return say("opened", path=path)

    def _where(self) -> str:
        """What the folder that is named now means for what was answered."""
        path = Path(self.folder.value, FILE)
        if path.exists():
            return say("trial_in_folder", folder=path.parent)
        return say("new_trial_in", folder=path.parent)

    def _fill(self, answers: Answers, before: str) -> None:
        self._filling, self.before = True, before
        for key, field in self.fields.items():
            ticks = isinstance(field, Ticks)
            empty = answers.text(key) if ticks else answers.told.get(key, "")
            field.value = answers.rows.get(key, ()) if isinstance(field, Lines) else empty
        self.refresh()

    def refresh(self) -> Tried:
        """Show what is asked, what does not fit, and the plan."""
        self._filling, self.answers = True, self._typed()
        asked = {ask.key for ask in self.answers.asked()}
        for key, field in self.fields.items():
            self.boxes[key].layout.display = None if key in asked else "none"
            if isinstance(field, Lines):
                field.grow(self.answers)
            elif isinstance(field, widgets.Text):
                field.placeholder = ("" if self.before else self.answers.default(key)) or ASKS[key].example
        self._filling = False
        tried = try_out(self.answers.fitting(), self.before, Path(self.folder.value).resolve().name)
        told = {key for key, said in (*self.answers.told.items(), *self.answers.rows.items()) if said}
        for key, shown in self.reasons.items():
            reasons = [escape(reason(why)) for at, why in tried.faults if at == key]
            shown.value = "<br>".join(reasons if key in told else ())
        label = {key: translated(ask.label) for key, ask in ASKS.items()} | {"plan": say("head_plan")}
        still = dict.fromkeys(f"{label[key]}: {reason(why)}" for key, why in tried.faults)
        parts = ({say("still_to_say"): [*still]} if still else {}) | tried.told()
        self.seen.value = "".join(
            f"<h3>{escape(heading)}</h3><ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>"
            for heading, lines in parts.items()
        )
        return tried

    def write(self) -> str:
        """Write trial.toml, if nothing is open; returns what to say."""
        tried = self.refresh()
        if tried.faults:
            raise refuse("answers_open", FILE)
        path = write(Path(self.folder.value), tried.draft, self.before)
        self.before = tried.draft.text
        return say("written", path=path)

    def plan(self) -> str:
        """Write trial.toml and plan its batches; returns what to say."""
        said = self.write()
        done = write_plan(self.folder.value, detects=lambda planned: plan_power(planned).sentences)
        return say("written_and_planned", written=said, files=", ".join(path.name for path in done.paths))


def show(folder: str = "") -> Setup:
    """Display the form in a notebook, for the trial in a folder or a new one."""
    from IPython.display import display

    form = Setup(folder)
    display(form.view)  # type: ignore[no-untyped-call]
    return form
