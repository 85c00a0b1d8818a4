"""The form of setup.ipynb: what `fizzlab new` asks in the terminal, with the plan beside it as one answers.

Widgets only. The questions, what the answers make and what is wrong with them are the business of
`fizzlab.trial.asking`, `fizzlab.trial.new` and `fizzlab.bench.trying`.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from html import escape
from importlib import resources
from pathlib import Path
from typing import Any, get_args

import ipywidgets as widgets

from fizzlab.bench.planfiles import write_plan
from fizzlab.bench.planning import plan_power
from fizzlab.bench.trying import Tried, try_out
from fizzlab.errors import BadInput, FizzlabError, Problem
from fizzlab.recipe.ingredients import Role
from fizzlab.recipe.units import DENSITIES
from fizzlab.trial.asking import ASKS, NAMED, Answers, Ask, Row, split
from fizzlab.trial.new import answers_of, reason, write
from fizzlab.trial.opening import bytes_of
from fizzlab.trial.settings import FILE

#: Where a new trial is put, as seen from the notebook.
NEW = "../my-trial"

#: Nothing is worked out until the page has sent no more of what is typed for so many seconds.
TYPED_S = 0.25


class Lines:
    """The lines of an answer that takes several, always with an empty one below."""

    def __init__(self, ask: Ask, changed: Callable[[object], None]) -> None:
        self.ask, self.changed = ask, changed
        heads = " · ".join(each.label for each in ask.fields)
        self.head = widgets.HTML(f'<p class="fs-soft">{escape(ask.say)}<br>{escape(heads)}</p>')
        self.lines: list[dict[str, Any]] = []
        self.view = widgets.VBox([self.head])

    def fill(self, rows: tuple[Row, ...], answers: Answers) -> None:
        """Show these lines, and those alone."""
        self.lines = []
        for row in rows:
            self._add(row, answers)
        self.grow(answers)

    def grow(self, answers: Answers) -> None:
        """See to an empty line below, and to what can be chosen."""
        if not self.lines or self.lines[-1]["name"].value:
            self._add({}, answers)
        for line in self.lines:
            for key, field in line.items():
                options = self._options(key, answers, field.value)
                if isinstance(field, widgets.Dropdown) and list(field.options) != options:
                    value = field.value
                    field.options, field.value = options, value
        boxes = [widgets.HBox(list(line.values())).add_class("fs-line") for line in self.lines]
        if len(boxes) != len(self.view.children) - 1:
            self.view.children = [self.head, *boxes]

    def rows(self) -> tuple[Row, ...]:
        """The lines as typed."""
        return tuple({key: str(field.value or "") for key, field in line.items()} for line in self.lines)

    def _options(self, key: str, answers: Answers, value: str | None) -> list[tuple[str, str]]:
        choices = answers.choices(f"{self.ask.key}.{key}")
        if key == "name" and choices:
            choices = {"": "choose", **choices}
        if choices and value and value not in choices:
            choices[value] = value
        return [(words, name) for name, words in choices.items()]

    def _add(self, row: Row, answers: Answers) -> None:
        line: dict[str, Any] = {}
        for each in self.ask.fields:
            value = row.get(each.key, "").replace(NAMED, "")
            said = {"description": each.label, "tooltip": each.label, "value": value}
            options = self._options(each.key, answers, value)
            if options:
                field = widgets.Dropdown(options=options, **said)
            elif each.label == "what it is":
                known = [*DENSITIES, *get_args(Role)]
                field = widgets.Combobox(options=known, placeholder=each.label, **said)
            else:
                field = widgets.Text(placeholder=each.example or each.label, continuous_update=False, **said)
            field.observe(self.changed, "value")
            line[each.key] = field.add_class(f"fs-{each.key}")
        self.lines.append(line)


class Setup:
    """The form for one trial folder, in `view`; `answers` are those typed so far."""

    def __init__(self, folder: str) -> None:
        self.answers, self.before, self._filling = Answers(), "", True
        self._presses: list[Callable[[], str]] = []
        self._task: asyncio.Task[None] | None = None
        self.fields: dict[str, Any] = {}
        self.lines: dict[str, Lines] = {}
        self.reasons: dict[str, Any] = {}
        self.boxes: dict[str, Any] = {}
        form, seldom = [], []
        for key, ask in ASKS.items():
            if ask.section:
                form.append(widgets.HTML(f"<h2>{escape(ask.section)}</h2>"))
            self.reasons[key] = widgets.HTML().add_class("fs-bad")
            self.boxes[key] = widgets.VBox([self._field(ask), self.reasons[key]])
            (seldom if ask.seldom else form).append(self.boxes[key])
        form += [widgets.HTML("<h2>Seldom needed</h2>"), *seldom]
        self.folder = widgets.Text(folder or NEW, description="Folder", continuous_update=False)
        self.message = widgets.HTML().add_class("fs-message")
        self.seen = widgets.HTML()
        head = widgets.VBox([self.folder, self.button("Open this folder's trial", self._opened)])
        done = [self.button("Write trial.toml", self.write), self.button("Write it and plan", self.plan)]
        left = widgets.VBox([head, *form]).add_class("fs-form")
        right = widgets.VBox([widgets.HBox(done), self.message, self.seen]).add_class("fs-seen")
        css = resources.files("fizzlab.bench").joinpath("templates", "setup.css").read_text("utf-8")
        two = widgets.HBox([left, right]).add_class("fs-two")
        self.view = widgets.VBox([widgets.HTML(f"<style>{css}</style>"), two]).add_class("fizzlab-setup")
        self.say(self._opened())

    def _field(self, ask: Ask) -> Any:
        """What an answer is given in."""
        choices = self.answers.choices(ask.key)
        if ask.kind == "rows":
            self.lines[ask.key] = Lines(ask, self._changed)
            return self.lines[ask.key].view
        if ask.key == "plan.tables":
            ticks = [widgets.Checkbox(description=words, indent=False) for words in choices.values()]
            self.fields[ask.key] = dict(zip(choices, ticks, strict=True))
            for tick in ticks:
                tick.observe(self._changed, "value")
            return widgets.VBox(ticks)
        said = {"description": ask.label, "tooltip": ask.words}
        if choices:
            options = [("as suits what is changed", ""), *((f"{k}: {v}", k) for k, v in choices.items())]
            field = widgets.Dropdown(options=options, value="", **said)
        else:
            field = widgets.Text(continuous_update=False, **said)
        field.observe(self._changed, "value")
        self.fields[ask.key] = field
        return field

    def button(self, words: str, do: Callable[[], str]) -> widgets.Button:
        """A button that does something once what is typed has arrived."""
        button = widgets.Button(description=words, tooltip=words)
        button.on_click(lambda _: self._soon(do))
        return button

    def _opened(self) -> str:
        """Hold nothing of the trial before, then read that of the folder."""
        path = Path(self.folder.value, FILE)
        self.answers, self.before, said = Answers(), "", "A new trial: answer, and see the plan beside it."
        try:
            if path.exists():
                self.before = bytes_of(path).decode("utf-8-sig").replace("\r\n", "\n")
                self.answers, said = answers_of(self.before), f"Opened: {path}"
        except (ValueError, BadInput) as error:
            self.before, said = "", f"{path} cannot be read: {error}. Mend it in a text editor first."
        self._filling = True
        for key, field in self.fields.items():
            if isinstance(field, dict):
                for name, tick in field.items():
                    tick.value = name in split(self.answers.text(key))
            else:
                field.value = self.answers.told.get(key, "")
        for key, lines in self.lines.items():
            lines.fill(self.answers.rows.get(key, ()), self.answers)
        self._filling = False
        self.refresh()
        return said

    def _collect(self) -> Answers:
        answers = Answers()
        for key, field in self.fields.items():
            ticked = ", ".join(n for n, t in field.items() if t.value) if isinstance(field, dict) else ""
            answers = answers.tell(key, ticked if isinstance(field, dict) else str(field.value or ""))
        for key, lines in self.lines.items():
            answers = answers.tell(key, lines.rows())
        return answers

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
        while seen != (seen := self._collect()):
            await asyncio.sleep(TYPED_S)
        self._now()

    def _now(self) -> None:
        presses, self._presses = self._presses, []
        self.refresh()
        for do in presses:
            try:
                self.say(do())
            except (FizzlabError, OSError) as error:
                self.say(f"Not done. {error}", "fs-bad")

    def say(self, words: str, look: str = "") -> None:
        """Say what came of a press."""
        self.message.value = f'<p role="status" class="{look}">{escape(words)}</p>'

    def refresh(self) -> Tried:
        """Show what is asked, what does not fit, and the plan."""
        self.answers = self._collect()
        asked = {ask.key for ask in self.answers.asked()}
        self._filling = True
        for key, box in self.boxes.items():
            box.layout.display = None if key in asked else "none"
            if isinstance(self.fields.get(key), widgets.Text):
                said = "" if self.before else self.answers.default(key)
                self.fields[key].placeholder = said or ASKS[key].example
        for lines in self.lines.values():
            lines.grow(self.answers)
        self._filling = False
        tried = try_out(self.answers.fitting(), self.before, Path(self.folder.value).resolve().name)
        told = {key for key, said in (*self.answers.told.items(), *self.answers.rows.items()) if said}
        for key, shown in self.reasons.items():
            words = [reason(problem) for at, problem in tried.faults if at == key and key in told]
            shown.value = "".join(f"<p>{escape(each)}</p>" for each in words)
        parts = {"Still to say or to mend": list(dict.fromkeys(_open(*fault) for fault in tried.faults))}
        parts |= tried.told()
        self.seen.value = "".join(
            f"<h3>{escape(heading)}</h3><ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>"
            for heading, lines in parts.items()
            if lines
        )
        return tried

    def write(self) -> str:
        """Write trial.toml, if nothing is open; returns what to say."""
        folder, tried = Path(self.folder.value), self.refresh()
        path = folder / FILE
        if tried.faults:
            raise BadInput([Problem(FILE, "some answers are open or do not fit.", "They are listed below.")])
        there = bytes_of(path).decode("utf-8-sig").replace("\r\n", "\n") if path.exists() else ""
        if self.before and there not in ("", self.before):
            do = "Open it again, then answer."
            raise BadInput([Problem(str(path), "somebody else changed it since it was opened.", do)])
        write(folder, tried.draft, over=bool(self.before and there))
        self.before = tried.draft.text
        return f"Written: {path}"

    def plan(self) -> str:
        """Write trial.toml and plan its batches; returns what to say."""
        said = self.write()
        done = write_plan(self.folder.value, detects=lambda planned: plan_power(planned).sentences)
        return f"{said}. Planned: {', '.join(path.name for path in done.paths)}."


def _open(key: str, problem: Problem) -> str:
    label = ASKS[key].label if key in ASKS else "The plan"
    return f"{label}: {reason(problem)}"


def show(folder: str = "") -> Setup:
    """Display the form in a notebook, for the trial in a folder or a new one."""
    from IPython.display import display

    form = Setup(folder)
    display(form.view)  # type: ignore[no-untyped-call]
    return form
