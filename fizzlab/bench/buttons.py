"""The bench: large buttons in JupyterLab that log into a trial as it is made, dried and tried.

Widgets only. What a press means, and how it is kept, is the business of `fizzlab.bench.logbook`.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import datetime as dt
import gc
import os
import time
from collections.abc import Callable, Collection, Sequence
from functools import partial
from html import escape
from importlib import resources
from typing import Any, NamedTuple
from urllib.parse import parse_qs

import ipywidgets as widgets

from fizzlab.bench.logbook import FIZZING, Form, Logbook, Look, Message, Tray, spoken
from fizzlab.errors import FizzlabError, capital, refuse
from fizzlab.language import say, speak_on, translated
from fizzlab.trial.journal import OtherBench

#: The same press on the same piece within so many seconds is taken for a slip of the glove.
TWICE_S = 2.0

DRYING, FIZZ = "Drying", "Fizz"

#: The texts of what can hurt, by what is done.
CAUTIONS = {DRYING: "caution_drying", FIZZ: "caution_water", "Shelf": "caution_water"}

#: A press that takes what was typed waits until the page has sent no more of it for so many seconds: the page
#: sends a press at once, but may hold back the last digits while the kernel is busy.
TYPED_S = 0.25

_LOOK = {"touch_checks": "touch_tray", "weighings": "weigh_tray"}

_TEMPLATES = resources.files("fizzlab.bench").joinpath("templates")


class Press(NamedTuple):
    """When a button was pressed, and what was chosen then; empty where nothing was."""

    at: float
    run: str
    piece: str

    def chosen(self) -> tuple[str, str]:
        """Batch and piece; BadInput without a batch."""
        if not self.run:
            raise refuse("no_tray", "bench")
        return self.run, self.piece


Do = Callable[[Press], Message | str]


class Card:
    """The fields of one form by column, and its buttons: "yes" and "no" of one question, else "log"."""

    def __init__(self, bench: Bench, form: Form) -> None:
        self.book, self.form = bench.book, form
        self._filled: Collection[str] = ()
        self.fields: dict[str, widgets.Text | widgets.ToggleButtons] = {}
        self.buttons: dict[str, widgets.Button] = {}
        asked = form.columns[0]
        if len(form.columns) == 1 and asked.kind == "yes_no":
            for answer in ("no", "yes"):
                words = spoken(asked, answer).upper()
                self.buttons[answer] = bench.button(words, answer, self._logs({asked.name: answer}))
            parts: list[widgets.Widget] = [_wrapped(*self.buttons.values())]
        else:
            for each in form.columns:
                yes_no = [(spoken(each, answer), answer) for answer in ("yes", "no")]
                meaning, choice = translated(each.meaning), each.kind == "yes_no"
                field = _choice(yes_no, meaning) if choice else _field(each.titled, meaning)
                self.fields[each.name] = field
            typed = [field for field in self.fields.values() if isinstance(field, widgets.Text)]
            what = {"runs": say("making")}.get(form.table, form.table.replace("_", " "))
            what = asked.titled.partition(",")[0] if len(form.columns) == 1 else what
            words = say("press_log", what=what)
            log = self.buttons["log"] = bench.button(words, "plain", self._logs({}), typed)
            row: list[widgets.Widget] = [*self.fields.values(), log]
            if sum(each.required and each.kind == "number" for each in form.columns) > 1 and not form.timed:
                row.append(bench.button(say("press_keep"), "quiet", self._keeps, typed, enter=False))
            parts = [_wrapped(*row), *_keys(typed)]
        for field in self.fields.values():
            field.observe(bench.mended, "value")
        self.view = _group(capital(translated(form.meaning)), *parts)

    def _typed(self) -> dict[str, str]:
        return {name: str(field.value or "") for name, field in self.fields.items()}

    def _keeps(self, press: Press) -> str:
        run, piece = press.chosen()
        return self.book.later(self.form.table, run, piece * self.form.by_piece, self._typed(), press.at)

    def fill(self, run: str, piece: str) -> None:
        """Put in what was kept for later of a batch or piece, and what is likely to come next."""
        ahead = self.book.ahead(self.form.table, run, piece * self.form.by_piece)
        for name in (ahead.keys() | self._filled) & self.fields.keys():
            _put(self.fields[name], ahead.get(name, ""))
        self._filled = ahead.keys()

    def _logs(self, readings: dict[str, str]) -> Do:
        def do(press: Press) -> Message:
            run, piece = press.chosen()
            said = self.book.log(self.form.table, run, piece, self._typed() | readings, press.at)
            for name in self.fields.keys() - self.form.kept:
                _put(self.fields[name], "")
            self.fill(run, piece)
            return said

        return do


def _put(field: widgets.Text | widgets.ToggleButtons, text: str) -> None:
    field.value = text or ("" if isinstance(field, widgets.Text) else None)


class Bench:
    """The buttons for one logbook, in `view`; `cards` holds those of each table.

    The clock counts seconds since 1970: the wall clock, since it goes on while the lid is closed.
    """

    def __init__(self, book: Logbook, clock: Callable[[], float] = time.time) -> None:
        self.book, self.clock = book, clock
        self._held: float | None = None
        self._pressed: tuple[object, float] = (None, 0.0)
        self._tasks: set[asyncio.Task[None]] = set()
        self._looks: list[Look] = []
        self._make: Tray | None = None
        self._looked = self._rang = 0.0
        self._refused = False
        self._build()
        running = book.running
        if running is not None:
            self._choose(FIZZ, running.run, running.piece)
        self._refresh()
        self._say(say("taken_up_again" if book.journal.live() else "choose_and_press"))

    def _build(self) -> None:
        self.cards: dict[str, Card] = {}
        self.made = self.button(
            say("press_made"), "plain", lambda press: self.book.made(press.chosen()[0], press.at)
        )
        self.fizzing, self.making = self._fizz_card(), _group(say("as_it_leaves"), self.made)
        self.modes: dict[str, widgets.Box] = {DRYING: widgets.VBox()}
        told = say("what_is_done")
        self.mode, self.shown = _choice([(say("mode_drying"), DRYING)], told, DRYING), widgets.VBox()
        self.more = self.button(say("press_more"), "quiet", self._offer_more)
        words = [say("title_tray"), say("title_piece")]
        self.tray = _choice([(tray.label, tray.run) for tray in self.book.trays()], words[0])
        self.piece = _choice([], words[1])
        self.other = _field(say("another_piece"), capital(say("another_piece")))
        for chooser in (self.mode, self.tray, self.piece, self.other):
            chooser.observe(self._chose, "value")
        self.chosen, self.status, self.message = _html("chosen"), _html("status"), _html("message")
        self.list, self.caution, self.alarm = _html("list"), _html("caution"), _html("alarm")
        self.stamp = _field("", say("time_of_press")).add_class("fb-stamp")
        kinds = "image/jpeg,image/png,image/webp"  # into which a phone turns its own
        self.photo = widgets.FileUpload(accept=kinds, description=say("photograph"), icon="")
        self.photo.add_class("fb-plain")
        self.photo.observe(self._photographed, "value")
        self.go = self.button(say("press_next"), "quiet", self._go)
        self.sound = self.button(say("press_sound"), "quiet", self._ring)
        self.undo = self.button(say("press_undo"), "quiet", self._undo)
        last = widgets.HBox([self.message, self.go, self.undo]).add_class("fb-last")
        head, css = (_TEMPLATES.joinpath(name).read_text("utf-8") for name in ("bench.html", "bench.css"))
        page = widgets.HTML(head.replace("{{ css }}", css))
        top = widgets.VBox([self.status, self.chosen, last, self.alarm, self.stamp]).add_class("fb-head")
        tray, pieces = _group(words[0], self.tray), _group(words[1], _wrapped(self.piece, self.other))
        extras = _group(say("picture_and_alarm"), _wrapped(self.photo, self.sound))
        parts = [page, top, _wrapped(self.mode, self.more), tray, pieces, self.shown, self.caution]
        parts += [extras, _group(say("logged_last", n=30), self.list)]
        self.view = widgets.VBox(parts).add_class("fizzlab-bench")
        self._offer(self.book.planned())

    def _offer(self, names: Sequence[str]) -> None:
        """Put up the buttons for these tables too: a mode a table, but for drying and fizz."""
        self.modes |= {FIZZ: self.fizzing} if {*FIZZING} & {*names} else {}
        self.cards |= {name: Card(self, self.book.forms[name]) for name in names if name not in FIZZING}
        timed = {name: card.view for name, card in self.cards.items() if card.form.timed}
        own = {name: card.view for name, card in self.cards.items() if name not in timed}
        self.modes[DRYING].children = [*timed.values(), self.making, own.pop("runs")]
        self.modes |= {capital(name.replace("_", " ")): view for name, view in own.items()}
        kept, self.mode.tooltips = self.mode.value, [f"{say('what_is_done')} {name}" for name in self.modes]
        called = {DRYING: say("mode_drying"), FIZZ: say("mode_fizz")}
        self.mode.options = [(called.get(name, name), name) for name in self.modes]
        self.shown.children = [*self.modes.values()]
        self.mode.value = kept
        every = {*self.cards, *FIZZING * (FIZZ in self.modes)} >= {*self.book.forms}
        self.more.layout.display = "none" if every else None

    def _offer_more(self, _: Press) -> str:
        self._offer([name for name in self.book.forms if name not in self.cards])
        if self.tray.value is not None:
            self._chose({"owner": self.tray, "new": self.tray.value})
        return say("all_is_here")

    def _fizz_card(self) -> widgets.VBox:
        book = self.book
        self.water, self.watch = _field("°C", say("title_water")), _html("watch")
        self.cup = _field(say("in_grams"), say("title_cup"))
        self.start = self.button(say("press_start"), "yes", self._start, [self.water], enter=False)
        self.colour = self.button(say("press_colour"), "plain", lambda press: book.colour(press.at))
        self.end = self.button(say("press_end"), "no", lambda press: book.end(press.at))
        self.early = self.button(say("press_early"), "plain", lambda press: book.end(press.at, done=False))
        self.halt = self.button(say("press_halt"), "quiet", self._halt)
        self.hold = self.button(say("press_hold"), "plain", self._hold)
        self.weigh_cup = self.button(say("press_cup"), "plain", self._weigh_cup, [self.cup])
        self.types, keypad = _keys([self.water, self.cup])
        buttons = _wrapped(self.start, self.colour, self.end, self.early, self.halt)
        scale = [_wrapped(self.cup, self.hold, self.weigh_cup), self.types, keypad]
        water = _group(say("title_water"), self.water)
        watch = _group(say("title_stopwatch"), self.watch, buttons)
        return widgets.VBox([water, watch, _group(say("title_scale"), *scale)])

    def button(
        self, words: str, look: str, do: Do, typed: Sequence[widgets.Text] = (), *, enter: bool = True
    ) -> widgets.Button:
        """A button that does something once what is typed has arrived; return in a field may press it too."""
        button = widgets.Button(description=words, tooltip=words).add_class(f"fb-{look}")
        button.on_click(lambda _: self._press(words, do, typed))

        def entered(_: object, content: dict[str, object], __: object) -> None:
            if content.get("event") == "submit":
                button.click()

        for field in typed if enter else ():
            field.on_msg(entered)
        return button

    def _chose(self, change: dict[str, Any]) -> None:
        """Follow a choice: a tray shows its pieces, a piece takes away the name of another."""
        if change["owner"] is self.tray:
            names = self.book.pieces(change["new"])
            kept = self.piece.value if self.piece.value in names else None
            self.piece.options = names
            self.piece.value = kept
        if change["owner"] in (self.tray, self.piece) and self.tray.value is not None:
            for card in self.cards.values():
                if change["owner"] is self.tray or card.form.by_piece:
                    card.fill(self.tray.value, self._named_piece())
        if change["owner"] is self.piece and change["new"] is not None:
            self.other.value = ""
        self.mended()
        self._show_chosen()

    def mended(self, _: object = None) -> None:
        """Take a refusal away once something was changed since."""
        if self._refused:
            self._say(say("changed_press_again"))

    def _go(self, press: Press) -> str:
        """Choose what is due next."""
        if self._looks and (self._make is None or self._looks[0].due <= press.at + 30):
            self._choose(DRYING, self._looks[0].run, self._looks[0].pieces[0])
            return say("touch_or_weigh")
        if self._make is None:
            return say("nothing_due")
        self._choose(DRYING, self._make.run)
        return say("press_as_made")

    def _undo(self, press: Press) -> str:
        return say("taken_back", what=self.book.undo(press.at))

    def _choose(self, mode: str, run: str, piece: str | None = None) -> None:
        self.mode.value, self.tray.value = mode, run
        (self.piece if piece in (None, *self.piece.options) else self.other).value = piece

    def _ring(self, press: Press | None = None) -> str:
        sound = base64.b64encode(_TEMPLATES.joinpath("chime.wav").read_bytes()).decode()
        audio = f'<audio autoplay src="data:audio/wav;base64,{sound}"></audio>'
        self.alarm.value = f"{audio}<!-- {self.clock()} -->"  # another each time, or it would sound once
        return say("alarm_sounds")

    def _photographed(self, change: dict[str, Any]) -> None:
        """Keep what was uploaded."""
        for upload in change["new"]:
            self._press(say("photograph"), partial(self._kept, bytes(upload["content"])), ())
        self.photo.value = ()

    def _kept(self, data: bytes, press: Press) -> str:
        return say("photograph_kept", name=self.book.photo(*press.chosen(), data, press.at))

    def _named_piece(self) -> str:
        return str(self.other.value.strip() or self.piece.value or "")

    def _show_chosen(self) -> None:
        for name, view in self.modes.items():
            view.layout.display = None if name == self.mode.value else "none"
        caution = CAUTIONS.get(str(self.mode.value))
        self.caution.value = f"<p>{escape(say(caution) if caution else '')}</p>"
        words, piece, made = say("no_tray_chosen"), self._named_piece(), ""
        if self.tray.value is not None:
            _, label, at, *_ = self.book.tray(self.tray.value)
            words = say("tray_named", tray=label)
            made = say("tray_not_made") if at is None else say("tray_made", at=_clock(at))
        words += say("piece_chosen", piece=piece) if piece else say("no_piece_chosen")
        self.chosen.value = f"<p>{escape(words + (made if self.mode.value == DRYING else ''))}</p>"

    def _press(self, words: str, do: Do, typed: Sequence[widgets.Text]) -> None:
        """One press; a glove that pressed twice has pressed once."""
        press = Press(self._pressed_at(), self.tray.value or "", self._named_piece())
        what = (do, press.run, press.piece)
        if do != self._undo and self._pressed[0] == what and 0 <= press.at - self._pressed[1] < TWICE_S:
            return
        self._pressed = (what, press.at)
        try:
            loop = asyncio.get_running_loop() if typed else None
        except RuntimeError:
            loop = None
        if loop is None:
            self._do(do, press)
            return
        task = loop.create_task(self._when_typed(do, press, typed))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _pressed_at(self) -> float:
        """When the page says that it was pressed, which counts where the message came late; else now."""
        now, said = self.clock(), self.stamp.value
        self.stamp.value = ""
        with contextlib.suppress(ValueError):
            return float(said) if now - 600 < float(said) < now else now
        return now

    async def _when_typed(self, do: Do, press: Press, typed: Sequence[widgets.Text]) -> None:
        seen = None
        while seen != (seen := [field.value for field in typed]):
            await asyncio.sleep(TYPED_S)
        self._do(do, press)

    def _do(self, do: Do, press: Press) -> None:
        """Do what was pressed for, and say what came of it."""
        try:
            with self.book.alone():
                if self.book.journal.grown():
                    raise OtherBench
                said = do(press)
        except Exception as error:  # a silent button is the worst a bench can have
            self._pressed = (None, 0.0)
            if isinstance(error, FizzlabError):
                self._say(say("not_logged", why=error), "bad")
            else:
                self._say(say("went_wrong", error=f"{type(error).__name__}: {error}"), "bad")
        else:
            if isinstance(said, Message):
                says = "logged_waits" if said.waits else "logged"
                self._say(say(says, what=said.says, why=said.waits), "waits" if said.waits else "good")
            else:
                self._say(said)
        self._refresh()

    def _start(self, press: Press) -> str:
        said = self.book.start(*press.chosen(), self.water.value, press.at)
        self._held = None
        self.types.value = self.cup.tooltip
        return said

    def _halt(self, press: Press) -> str:
        self.book.stop()
        self._held = None
        return say("stopwatch_stopped")

    def _hold(self, press: Press) -> str:
        second = self.book.under_the_watch(press.at)["seconds"]
        self._held = press.at
        return say("held_at", second=second)

    def _weigh_cup(self, press: Press) -> Message:
        if self.book.running is None:  # the cup before the piece goes in
            run, piece = press.chosen()
            watched = {"run": run, "piece": piece, "water_c": self.water.value, "seconds": "0"}
        else:
            watched = self.book.under_the_watch(self._held or press.at)
        cells = {**watched, "mass_g": self.cup.value}
        said = self.book.log("fizz_curves", watched["run"], watched["piece"], cells, press.at)
        self._held = None
        self.cup.value = ""
        return said

    def _say(self, words: str, kind: str = "plain") -> None:
        sign = {"good": "✔ ", "bad": "✘ ", "waits": "… "}.get(kind, "")
        self._refused = kind == "bad"
        self.message.value = f'<p role="status" class="{kind}">{sign}{escape(words)}</p>'

    def _refresh(self) -> None:
        """Show what was logged, and look the next looks up again."""
        logged = self.book.logged(30)
        shown = f"<p>{say('nothing_yet')}</p>"
        self.list.value = f"<ul>{''.join(map(_item, logged))}</ul>" if logged else shown
        runs = self.book.running is not None
        for button in (self.start, self.colour, self.end, self.early, self.halt):
            # a button that is not needed now looks so, but stays in reach of the tabulator key
            dim = runs == (button is self.start)
            (button.add_class if dim else button.remove_class)("fb-dim")
        self._looked = self.clock()
        try:
            self._looks, self._make = self.book.next_looks(self._looked), self.book.to_make(self._looked)
        except (FizzlabError, OSError):
            self._looks, self._make = [], None
        self._show_chosen()
        self.tick()

    def tick(self) -> None:
        """Show the time that has passed. The page itself says so when this is no longer called."""
        now = self.clock()
        idle = now - self._looked > 20
        if idle and self.book.journal.waiting():
            with contextlib.suppress(FizzlabError), self.book.alone():
                self.book.put_in()
        if self.book.catch_up() or idle:
            self._refresh()
            return
        running = self.book.running
        if running is None:
            self.watch.value = "<p>0.0 s</p>"
        else:
            label = self.book.tray(running.run).label
            at = say("watched", tray=label, piece=running.piece, water=running.water_c)
            at += say("watch_held", second=self._held - running.at) if self._held is not None else ""
            self.watch.value = f"<p>{now - running.at:.1f} s</p><p class='at'>{escape(at)}</p>"
        due = [look.due for look in self._looks if look.due <= now]
        if due and max(due) > self._rang:
            self._ring()
        self._rang = max([self._rang, *due])
        words = escape(next_words(self._looks, now, self._make.label if self._make else ""))
        shown = f"<b>{dt.datetime.fromtimestamp(now):%H:%M:%S}</b> {words}"
        gone = f'<p class="gone" role="alert">{escape(say("no_longer_connected"))}</p>'
        self.status.value = f'{gone}<p data-now="{now:.3f}" class="{"due" if due else ""}">{shown}</p>'

    async def keep_ticking(self) -> None:
        """Tick until cancelled."""
        while True:
            await asyncio.sleep(0.25 if self.book.running is not None else 1.0)
            with contextlib.suppress(FizzlabError, OSError):  # as of a table that is just being saved
                self.tick()


def next_words(looks: Sequence[Look], now: float, make: str = "") -> str:
    """What is due next in words: the planned look, the tray to make, and how many are overdue.

    >>> next_words([Look("touch_checks", "A", "417", ("1", "2"), 2.0, 600.0)], 660.0, "238")
    'Now: touch tray 417, pieces 1, 2. Then make tray 238.'
    """
    if not looks:
        return say("make_tray_now", tray=make) if make else say("no_look_ahead")
    look = looks[0]
    told = {"n": len(look.pieces), "pieces": ", ".join(look.pieces), "tray": look.label}
    words = say(_LOOK.get(look.table, "read_tray"), **told)
    minutes = (look.due - now) / 60
    span = f"{abs(minutes):.0f} min" if abs(minutes) < 120 else f"{abs(minutes) / 60:.1f} h"
    if minutes > 0.5:
        at = _clock(look.due)
        return say("make_now_then" if make else "next_in", tray=make, at=at, words=words, span=span)
    others = sum(other.due <= now + 30 for other in looks) - 1
    late = say("so_late", span=span) if minutes < -1.5 else ""
    more = say("more_due", n=others) if others else ""
    return say("now_due", words=words, late=late, more=more) + (say("then_make", tray=make) if make else "")


def show(book: Logbook) -> Bench:
    """Display the bench in a notebook and keep its clock going."""
    from IPython.display import display

    speak_on(book.settings.language)
    bench = Bench(book)
    asked = parse_qs(os.environ.get("QUERY_STRING", "")).get("tray")  # the page's address, by Voilà
    bench.tray.value = next((tray.run for tray in book.trays() if [tray.label] == asked), bench.tray.value)
    gc.freeze()  # or a season's readings would be gone through for garbage again and again
    display(bench.view)  # type: ignore[no-untyped-call]
    earlier = _TICKING.pop("task", None)
    if earlier is not None:  # the cell was run again
        earlier.cancel()
    _TICKING["task"] = asyncio.get_running_loop().create_task(bench.keep_ticking())
    return bench


_TICKING: dict[str, asyncio.Task[None]] = {}


def _clock(at: float) -> str:
    return f"{dt.datetime.fromtimestamp(at):%H:%M}"


def _item(said: Message) -> str:
    waits = f' <span class="waits">{escape(say("it_waits", why=said.waits))}</span>' if said.waits else ""
    return f"<li><time>{_clock(said.at)}</time> {escape(said.says)}{waits}</li>"


def _html(look: str) -> widgets.HTML:
    return widgets.HTML().add_class(f"fb-{look}")


def _choice(
    options: Sequence[tuple[str, str]], words: str, value: str | None = None
) -> widgets.ToggleButtons:
    tips = [f"{words} {label}" for label, _ in options]
    chooser = widgets.ToggleButtons(options=options, value=value, tooltips=tips).add_class("fb-choice")
    chooser.style.button_width = "auto"
    return chooser


def _field(placeholder: str, words: str) -> widgets.Text:
    named = {"description": words, "placeholder": placeholder, "tooltip": words}
    return widgets.Text(**named, continuous_update=False).add_class("fb-field")


def _group(title: str, *parts: widgets.Widget) -> widgets.VBox:
    return widgets.VBox([widgets.HTML(f"<h2>{escape(title)}</h2>"), *parts]).add_class("fb-group")


def _wrapped(*parts: widgets.Widget) -> widgets.HBox:
    return widgets.HBox(parts).add_class("fb-wrap")


def _keys(fields: Sequence[widgets.Text]) -> list[widgets.Widget]:
    """Digits for gloved hands, and before them, for several fields, which one they type into."""
    if not fields:
        return []
    names = [field.tooltip for field in fields]
    choices = [(say("keys_into", field=field.placeholder), field.tooltip) for field in fields]
    into = _choice(choices, say("keys_type"), names[0])

    def key(sign: str) -> widgets.Button:
        def press(_: object) -> None:
            at = fields[names.index(into.value)]
            at.value = at.value[:-1] if sign == "⌫" else at.value + sign

        button = widgets.Button(description=sign, tooltip=say("key_delete") if sign == "⌫" else sign)
        button.on_click(press)
        return button.add_class("fb-key")

    keypad = _wrapped(*map(key, "1234567890.⌫")).add_class("fb-keypad")
    return [into, keypad] if len(fields) > 1 else [keypad]
