"""The bench: large buttons in JupyterLab that log into a trial as it is made, dried and dropped into water.

Widgets only. What a press means, and how it is kept, is the business of `fizzlab.bench.logbook`.
"""

from __future__ import annotations

import asyncio
import datetime as dt
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from importlib import resources

import ipywidgets as widgets

from fizzlab.bench.logbook import Logbook, Look, Said, Tray
from fizzlab.bench.logbook.book import DRYING, FIZZING
from fizzlab.errors import BadInput, FizzlabError, Problem

#: The same press on the same piece within so many seconds is taken for a slip of the glove.
TWICE_S = 2.0

#: Readings shown in the list.
SHOWN = 12

MODES = ("Drying", "Fizz")

CAUTIONS = {
    "Drying": "Acid and pigment dust stings eyes and lungs: mask on, no draught. Alcohol burns with a flame "
    "that is hard to see: no flame and no hot plate near the spray or the drying tray.",
    "Fizz": "Oil makes a tub slippery: try pieces in a basin, and rinse it. Glasses on: acid spray stings. "
    "Keep this computer and its lead away from the water.",
}

#: A press that takes what was typed waits until the page has sent no more of it for so many seconds: the page
#: sends a press at once, but may hold back the last digits while the kernel is busy.
TYPED_S = 0.25

#: JupyterLab's keys (x cuts a cell, with the bench in it) must not work while a button of the bench has the
#: focus. A widget cannot set the attribute that says so; an image that cannot be loaded can, once in place.
_NO_SHORTCUTS = """<img src="data:," alt="" hidden onerror="
    const image = this;
    (function watch() {
        const bench = image.closest('.fizzlab-bench');
        if (!bench) return setTimeout(watch, 100);
        bench.addEventListener('focusin', got => { got.target.dataset.lmSuppressShortcuts = 'true'; });
        bench.setAttribute('data-ready', 'true');
    })();">"""

_LOOK = {"touch_checks": "touch", "weighings": "weigh"}


@dataclass(frozen=True)
class Press:
    """When a button was pressed, and what was chosen then.

    Parameters
    ----------
    at : float
    run, piece : str
        Empty where nothing was chosen.
    """

    at: float
    run: str
    piece: str

    def tray(self) -> str:
        """The batch, which must be chosen."""
        if not self.run:
            raise BadInput([Problem("bench", "no tray is chosen.", "Choose one first.")])
        return self.run

    def both(self) -> tuple[str, str]:
        """Batch and piece, which must be chosen."""
        if not self.piece:
            self.tray()
            raise BadInput([Problem("bench", "no piece is chosen.", "Choose one first.")])
        return self.tray(), self.piece


Do = Callable[[Press], Said | str | None]


class Bench:
    """The buttons for one logbook.

    Parameters
    ----------
    book : Logbook
    clock : callable
        Seconds since 1970. The wall clock, since it goes on while the lid is closed.

    Attributes
    ----------
    view : ipywidgets.VBox
        To be displayed.
    """

    def __init__(self, book: Logbook, clock: Callable[[], float] = time.time) -> None:
        self.book, self.clock = book, clock
        self._held: str | None = None
        self._pressed: tuple[object, float] = (None, 0.0)
        self._tasks: set[asyncio.Task[None]] = set()
        self._looks: list[Look] = []
        self._looked = 0.0
        self._choosers()
        self._drying_card()
        self._fizz_card()
        self._frame()
        running = book.running
        if running is not None:
            self.mode.value = "Fizz"
            self.tray.value = running.run
            self._choose_piece(running.piece)
        self._show_mode()
        self._refresh()
        unreadable = book.journal.unreadable
        if unreadable:
            self._say(
                f"{unreadable} unfinished lines of the journal were passed over; they were never confirmed."
            )
        elif book.logged():
            self._say(f"Taken up again: {len(book.logged())} readings are kept.")
        else:
            self._say("Choose a tray and a piece, then press.")
        self.tick()

    # building

    def _choosers(self) -> None:
        self.mode = _choice([(name, name) for name in MODES], "What is done", value="Drying")
        self.tray = _choice([(tray.label, tray.run) for tray in self.book.trays()], "Tray")
        self.piece = _choice([], "Piece")
        self.other = _field("another piece", "Another piece")
        self.mode.observe(lambda _: self._show_mode(), "value")
        self.tray.observe(lambda _: self._show_pieces(), "value")
        self.piece.observe(lambda _: self._take_piece(), "value")
        self.other.observe(lambda _: self._show_chosen(), "value")
        self.chosen = widgets.HTML().add_class("fb-chosen")

    def _drying_card(self) -> None:
        self.made = self._button("Made now", "plain", lambda press: self.book.made(press.tray(), press.at))
        self.dry = self._button("DRY", "yes", lambda press: self.book.touch(*press.both(), True, press.at))
        self.wet = self._button(
            "STILL WET", "no", lambda press: self.book.touch(*press.both(), False, press.at)
        )
        self.mass = _field("grams", "Mass of the piece, g")
        self.weigh = self._button("Log mass", "plain", self._weigh, self.mass)
        self.mass.on_msg(_on_enter(self.weigh))
        self.pad = _keypad(lambda: self.mass)
        mass = _group(
            "Mass of the piece, g", widgets.HBox([self.mass, self.weigh]).add_class("fb-wrap"), self.pad
        )
        self.drying = widgets.VBox(
            [
                _group("Touch", widgets.HBox([self.wet, self.dry]).add_class("fb-wrap")),
                mass,
                _group("As the batch leaves the press", widgets.HBox([self.made]).add_class("fb-wrap")),
            ]
        )

    def _fizz_card(self) -> None:
        self.water = _field("°C", "Water, °C")
        self.watch = widgets.HTML().add_class("fb-watch")
        self.start = self._button("Start", "yes", self._start, self.water)
        self.colour = self._button("Colour seen", "plain", lambda press: self.book.colour(press.at))
        self.end = self._button("End of fizz", "no", lambda press: self.book.end(press.at))
        self.early = self._button(
            "Stop: still fizzing", "plain", lambda press: self.book.end(press.at, done=False)
        )
        self.halt = self._button("Stop watch only", "quiet", self._halt)
        self.cup = _field("grams", "Cup, water and piece, g")
        self.hold = self._button("Hold the second", "plain", self._hold)
        self.weigh_cup = self._button("Log cup", "plain", self._weigh_cup, self.cup)
        self.cup.on_msg(_on_enter(self.weigh_cup))
        self.types = _choice([("into grams", "cup"), ("into °C", "water")], "The keys type", value="water")
        keys = _keypad(lambda: self.water if self.types.value == "water" else self.cup)
        buttons = [self.start, self.colour, self.end, self.early, self.halt]
        self.fizz = widgets.VBox(
            [
                _group("Water, °C", self.water),
                _group("Stopwatch", self.watch, widgets.HBox(buttons).add_class("fb-wrap")),
                _group(
                    "Scale: cup, water and piece together, g",
                    widgets.HBox([self.cup, self.hold, self.weigh_cup]).add_class("fb-wrap"),
                    self.types,
                    keys,
                ),
            ]
        )

    def _frame(self) -> None:
        self.status = widgets.HTML().add_class("fb-status")
        self.message = widgets.HTML().add_class("fb-message")
        self.undo = self._button("Undo", "quiet", self._undo)
        self.list = widgets.HTML().add_class("fb-list")
        self.caution = widgets.HTML().add_class("fb-caution")
        last = widgets.HBox([self.message, self.undo]).add_class("fb-last")
        css = resources.files("fizzlab.bench").joinpath("templates/bench.css").read_text(encoding="utf-8")
        self.view = widgets.VBox(
            [
                widgets.HTML(f"<style>{css}</style>{_NO_SHORTCUTS}"),
                widgets.VBox([self.status, self.chosen, last]).add_class("fb-head"),
                self.mode,
                _group("Tray", self.tray),
                _group("Piece", widgets.HBox([self.piece, self.other]).add_class("fb-wrap")),
                self.drying,
                self.fizz,
                self.caution,
                _group("Logged, the newest first", self.list),
            ]
        ).add_class("fizzlab-bench")

    def _button(self, words: str, look: str, do: Do, typed: widgets.Text | None = None) -> widgets.Button:
        button = widgets.Button(description=words, tooltip=words).add_class(f"fb-{look}")
        button.on_click(lambda _: self._press(words, do, typed))
        return button

    # choosing

    def _show_mode(self) -> None:
        drying = self.mode.value == "Drying"
        self.drying.layout.display = None if drying else "none"
        self.fizz.layout.display = "none" if drying else None
        self.caution.value = f"<p>{escape(CAUTIONS[str(self.mode.value)])}</p>"
        self._show_pieces()

    def _show_pieces(self) -> None:
        tables = DRYING if self.mode.value == "Drying" else FIZZING
        names = self.book.pieces(self.tray.value, tables) if self.tray.value is not None else []
        kept = self.piece.value if self.piece.value in names else None
        self.piece.options = names
        self.piece.value = kept
        self._show_chosen()

    def _choose_piece(self, piece: str) -> None:
        if piece in self.piece.options:
            self.piece.value = piece
        else:
            self.other.value = piece

    def _take_piece(self) -> None:
        if self.piece.value is not None:
            self.other.value = ""
        self._show_chosen()

    def _show_chosen(self) -> None:
        tray = self._tray()
        piece = self.other.value.strip() or self.piece.value
        words = f"Tray {tray.label}" if tray else "No tray chosen"
        words += f", piece {piece}" if piece else ", no piece chosen"
        if tray and self.mode.value == "Drying":
            made = tray.made_at
            words += f" · made {_clock(made)}" if made is not None else " · not made yet"
        self.chosen.value = f"<p>{escape(words)}</p>"

    def _tray(self) -> Tray | None:
        return next((tray for tray in self.book.trays() if tray.run == self.tray.value), None)

    # pressing

    def _press(self, words: str, do: Do, typed: widgets.Text | None) -> None:
        """One press; a glove that pressed twice has pressed once."""
        piece = self.other.value.strip() or self.piece.value or ""
        press = Press(self.clock(), self.tray.value or "", piece)
        what = (words, press.run, press.piece)
        if words != "Undo" and self._pressed[0] == what and 0 <= press.at - self._pressed[1] < TWICE_S:
            return
        self._pressed = (what, press.at)
        if typed is None or not _in_a_loop():
            self._do(do, press)
            return
        task = asyncio.get_running_loop().create_task(self._when_typed(do, press, typed))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _when_typed(self, do: Do, press: Press, typed: widgets.Text) -> None:
        seen = None
        while seen != typed.value:
            seen = typed.value
            await asyncio.sleep(TYPED_S)
        self._do(do, press)

    def _do(self, do: Do, press: Press) -> None:
        """Do what was pressed for, and say what came of it."""
        try:
            said = do(press)
        except FizzlabError as error:
            self._pressed = (None, 0.0)
            self._say(f"Not logged. {error}", "bad")
        except Exception as error:  # a silent button is the worst a bench can have
            self._pressed = (None, 0.0)
            words = f"Something went wrong ({type(error).__name__}: {error}). Look in the list below."
            self._say(words, "bad")
        else:
            if isinstance(said, Said):
                waits = f" It waits: {said.waits} Nothing is lost." if said.waits else ""
                self._say(f"Logged: {said.says}.{waits}", "waits" if said.waits else "good")
            elif said is not None:
                self._say(said)
        self._refresh()

    def _weigh(self, press: Press) -> Said:
        said = self.book.weigh(*press.both(), self.mass.value, press.at)
        self.mass.value = ""
        return said

    def _start(self, press: Press) -> str:
        run, piece = press.both()
        already = self.book.measured(run, piece)
        self.book.start(run, piece, self.water.value, press.at)
        self._held = None
        self.types.value = "cup"
        if "fizz_times" in already:
            return "The stopwatch runs. This piece has a fizz time already, so no end will be taken for it."
        return "The stopwatch runs."

    def _halt(self, press: Press) -> str:
        if self.book.running is None:
            return "The stopwatch does not run."
        self.book.stop()
        self._held = None
        return "The stopwatch was stopped; nothing was logged by that."

    def _hold(self, press: Press) -> str:
        running = self.book.running
        if running is None:
            return "The stopwatch does not run."
        self._held = f"{press.at - running.started:.1f}"
        return f"Held at {self._held} s: type the mass and press “Log cup”."

    def _weigh_cup(self, press: Press) -> Said:
        running = self.book.running
        if running is None:
            said = self.book.cup_before(*press.both(), self.water.value, self.cup.value, press.at)
        else:
            when = press.at if self._held is None else running.started + float(self._held)
            said = self.book.cup(self.cup.value, when)
        self._held = None
        self.cup.value = ""
        return said

    def _undo(self, press: Press) -> str:
        return f"Taken back: {self.book.undo(press.at)}."

    # showing

    def _say(self, words: str, kind: str = "plain") -> None:
        sign = {"good": "✔ ", "bad": "✘ ", "waits": "… "}.get(kind, "")
        self.message.value = f'<p role="status" class="{kind}">{sign}{escape(words)}</p>'

    def _refresh(self) -> None:
        """Show what was logged, and look the next looks up again."""
        logged = self.book.logged()
        items = "".join(
            f"<li><time>{_clock(said.at)}</time> {escape(said.says)}"
            + (f' <span class="waits">waits: {escape(said.waits)}</span>' if said.waits else "")
            + "</li>"
            for said in logged[:SHOWN]
        )
        more = f"<p>and {len(logged) - SHOWN} earlier</p>" if len(logged) > SHOWN else ""
        self.list.value = f"<ul>{items}</ul>{more}" if logged else "<p>Nothing yet.</p>"
        for button, on in (
            (self.start, False),
            *((b, True) for b in (self.colour, self.end, self.early, self.halt)),
        ):
            _dim(button, on != (self.book.running is not None))
        self._look_up()
        self._show_chosen()
        self.tick()

    def _look_up(self) -> None:
        self._looked = self.clock()
        try:
            self._looks = self.book.next_looks()
        except (FizzlabError, OSError):
            self._looks = []

    def tick(self) -> None:
        """Show the time that has passed. The page itself says so when this is no longer called."""
        now = self.clock()
        if now - self._looked > 20:
            if self.book.waiting():
                self.book.put_in()
                self._refresh()
                return
            self._look_up()
        running = self.book.running
        if running is None:
            self.watch.value = "<p>0.0 s</p>"
        else:
            at = f"tray {self._label(running.run)}, piece {running.piece}, {running.water_c} °C"
            held = f" · held at {self._held} s" if self._held is not None else ""
            seconds = f"{now - running.started:.1f} s"
            self.watch.value = f"<p>{seconds}</p><p class='at'>{escape(at + held)}</p>"
        gone = (
            "No longer connected: presses are not taken. What was logged is kept. "
            "Choose Run, then Run All Cells, and go on."
        )
        self.status.value = (
            f'<p class="gone" role="alert">{gone}</p><p><b>{dt.datetime.fromtimestamp(now):%H:%M:%S}</b> '
            f"{escape(next_words(self._looks, now))}</p>"
        )

    def _label(self, run: str) -> str:
        return next((tray.label for tray in self.book.trays() if tray.run == run), run)

    async def keep_ticking(self) -> None:
        """Tick until cancelled."""
        while True:
            await asyncio.sleep(0.25 if self.book.running is not None else 1.0)
            self.tick()


def next_words(looks: Sequence[Look], now: float) -> str:
    """The next planned look in words, or how many are overdue.

    Examples
    --------
    >>> next_words([Look("touch_checks", "A", "417", ("1", "2"), 2.0, 600.0)], 0.0)
    'Next: touch tray 417, pieces 1, 2, in 10 min'
    >>> next_words([], 0.0)
    'No planned look lies ahead.'
    """
    if not looks:
        return "No planned look lies ahead."
    look = looks[0]
    pieces = f"piece{'s' if len(look.pieces) > 1 else ''} {', '.join(look.pieces)}"
    words = f"{_LOOK[look.table]} tray {look.label}, {pieces}"
    minutes = (look.due - now) / 60
    if minutes > 0.5:
        return f"Next: {words}, in {_span(minutes)}"
    late = f"Now: {words}" + (f", {_span(-minutes)} late" if minutes < -1.5 else "")
    others = sum(other.due <= now + 30 for other in looks) - 1
    return late + (f" (and {others} more due)" if others else "")


def show(book: Logbook) -> Bench:
    """Display the bench in a notebook and keep its clock going."""
    from IPython.display import display

    bench = Bench(book)
    display(bench.view)  # type: ignore[no-untyped-call]
    earlier = _TICKING.pop("task", None)
    if earlier is not None:  # the cell was run again
        earlier.cancel()
    _TICKING["task"] = asyncio.get_running_loop().create_task(bench.keep_ticking())
    return bench


_TICKING: dict[str, asyncio.Task[None]] = {}


def _span(minutes: float) -> str:
    return f"{minutes:.0f} min" if minutes < 120 else f"{minutes / 60:.1f} h"


def _clock(at: float) -> str:
    return f"{dt.datetime.fromtimestamp(at):%H:%M}"


def _in_a_loop() -> bool:
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        return False
    return True


def _choice(
    options: Sequence[tuple[str, str]], words: str, value: str | None = None
) -> widgets.ToggleButtons:
    chooser = widgets.ToggleButtons(
        options=options, value=value, tooltips=[f"{words} {label}" for label, _ in options]
    )
    chooser.style.button_width = "auto"
    return chooser.add_class("fb-choice")


def _field(placeholder: str, words: str) -> widgets.Text:
    return widgets.Text(placeholder=placeholder, tooltip=words, continuous_update=False).add_class("fb-field")


def _group(title: str, *parts: widgets.Widget) -> widgets.VBox:
    return widgets.VBox([widgets.HTML(f"<h3>{escape(title)}</h3>"), *parts]).add_class("fb-group")


def _keypad(field: Callable[[], widgets.Text]) -> widgets.HBox:
    """Digits for gloved hands; the field is the one that is chosen when a key is pressed."""

    def key(sign: str) -> widgets.Button:
        button = widgets.Button(description=sign, tooltip="delete" if sign == "⌫" else sign).add_class(
            "fb-key"
        )

        def press(_: object) -> None:
            at = field()
            at.value = at.value[:-1] if sign == "⌫" else at.value + sign

        button.on_click(press)
        return button

    return widgets.HBox([key(sign) for sign in "1234567890.⌫"]).add_class("fb-wrap").add_class("fb-keypad")


def _on_enter(button: widgets.Button) -> Callable[[object, dict[str, object], object], None]:
    def received(_: object, content: dict[str, object], __: object) -> None:
        if content.get("event") == "submit":
            button.click()

    return received


def _dim(button: widgets.Button, dim: bool) -> None:
    """Look as if it were not needed now, but stay in reach of the tabulator key."""
    if dim:
        button.add_class("fb-dim")
    else:
        button.remove_class("fb-dim")
