"""Every command that writes, stopped at every step of writing: killed, on a full disk, two at once.

What a folder holds afterwards is all of the old or all of the new, and nothing else; `page.py` counts it.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import shutil
import zipfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd
from kept_trial import keep_record, write_tables
from sound_trial import RUNS, TOML
from steps import Steps, Work, die, full, in_child, with_steps

from fizzlab import records
from fizzlab.bench.following import follow
from fizzlab.bench.logbook import Logbook
from fizzlab.bench.planfiles import write_plan
from fizzlab.errors import FizzlabError
from fizzlab.records.pack import pack, unpack
from fizzlab.trial import shipped
from fizzlab.trial.asking import NAMED, Answers
from fizzlab.trial.folder import load
from fizzlab.trial.importing import prepare
from fizzlab.trial.importing import write as write_import
from fizzlab.trial.journal import JOURNAL, Journal
from fizzlab.trial.new import draft
from fizzlab.trial.new import write as write_new
from fizzlab.trial.placing import HIDDEN, changing, recover

State = dict[str, object]

#: How a command ended of which a step failed.
REFUSED, DONE = 3, 4

PLANNED = TOML.partition("[factors.binder_g]")[0] + (
    '[plan]\nkind = "compare"\nbatches_per_day = 2\ndays = 3\npieces = 2\ntables = ["touch_checks"]\n'
)
MADE = 1767859200.0  # seconds since 1970: 8 January 2026


def export(place: Path, name: str = "shed", day: int = 7, rows: int = 12) -> Path:
    """An invented export of a hygrometer, beside the trial."""
    lines = [f"2026-01-{day:02d} {hour:02d}:00,{10 + hour / 10:.1f},{60 + day}" for hour in range(rows)]
    path = place / f"{name}.csv"
    path.write_text("\n".join(["time,temperature (°C),humidity (%)", *lines, ""]), encoding="utf-8")
    return path


# what stands before each command, in a folder `place` that may hold a trial `quay`


def nothing(place: Path) -> None:
    place.mkdir(parents=True, exist_ok=True)


def sound(place: Path) -> None:
    (place / "quay").mkdir(parents=True)
    for name, text in (("trial.toml", TOML), ("runs.csv", RUNS)):
        (place / "quay" / name).write_text(text, encoding="utf-8")
    export(place)


def imported(place: Path) -> None:
    sound(place)
    import_(place)
    export(place, rows=20)


def to_plan(place: Path) -> None:
    (place / "quay").mkdir(parents=True)
    (place / "quay" / "trial.toml").write_text(PLANNED, encoding="utf-8")


def planned(place: Path) -> None:
    to_plan(place)
    write_plan(place / "quay")
    text = PLANNED.replace("days = 3", "days = 4")
    (place / "quay" / "trial.toml").write_text(text, encoding="utf-8")
    (place / "quay" / "touch_checks.csv").write_text("run,piece,hours,dry\n", encoding="utf-8")


def kept(place: Path) -> None:
    keep_record(place / "quay")


def packed(place: Path) -> None:
    kept(place)
    pack(place / "quay")


def one_demo(place: Path) -> None:
    shutil.copytree(shipped.demo("cores"), place / "demo" / "cores", ignore=shutil.ignore_patterns("records"))


def recommended(place: Path, *steps: dict[str, Any]) -> None:
    """A trial with a record that recommends something."""
    folder = place / "quay"
    write_tables(folder)
    said = [{"topic": "next", "sentence": "Do it", "next": each} for each in steps]
    about = {"trial": "quay", "title": "t", "notebook": {}, "parameters_sha256": "0" * 64}
    inputs = records.fingerprints(folder, load(folder).inputs)
    with records.making(folder / "records") as making:
        (making / "findings.json").write_text(json.dumps(said), encoding="utf-8")
        (making / "inputs").mkdir()
        for name in inputs:
            shutil.copy(folder / name, making / "inputs" / name)
        known = {"inputs": inputs, "lots": {}, "deviations": [], **records.signed(), **about}
        records.keep(making, lambda *_: None, **known)


def to_confirm(place: Path) -> None:
    dye = {"colour": "dye", "binder_g": 0.6}
    recommended(place, {"kind": "confirm", "combinations": [dye], "repeats": 2})


def to_add(place: Path) -> None:
    ways = [{"colour": colour, "binder_g": 0.6, "day": 1} for colour in ("dye", "pearl")]
    recommended(place, {"kind": "add", "batches": ways})


def at_the_bench(place: Path) -> None:
    (place / "quay").mkdir(parents=True)
    (place / "quay" / "trial.toml").write_text(TOML, encoding="utf-8")
    (place / "quay" / "runs.csv").write_text(RUNS, encoding="utf-8")
    Logbook(place / "quay")


# the commands


def new(place: Path) -> None:
    answers = Answers().tell("title", "t").tell("question", "q?")
    answers = answers.tell("factors", ({"name": "colour", "values": "dye, lake", "unit": NAMED},))
    write_new(place / "workshop" / "quay", draft(answers))


def import_(place: Path, name: str = "shed") -> None:
    write_import(prepare(place / "quay", place / f"{name}.csv"))


def press(place: Path) -> None:
    book, run = Logbook(place / "quay"), pd.read_csv(io.StringIO(RUNS), dtype=str)["run"][0]
    book.log("touch_checks", run, "1", {"dry": "no"}, MADE + 9000)


class Command(NamedTuple):
    """What is said of it, what stands before, what it does and what reads next; every which step is tried."""

    words: str
    before: Callable[[Path], None]
    act: Callable[[Path], object]
    then: Callable[[Path], object] = lambda place: [recover(place / name) for name in ("quay", "demo")]
    each: int = 1


COMMANDS = {
    "new": Command("`new`", nothing, new),
    "demo": Command("`demo`, its copies", nothing, lambda at: shipped.put_demo(at / "demo")),
    "demo again": Command("`demo`, where one is there", one_demo, lambda at: shipped.put_demo(at / "demo")),
    "plan": Command("`plan`", to_plan, lambda at: write_plan(at / "quay")),
    "plan again": Command("`plan` again", planned, lambda at: write_plan(at / "quay"), each=7),
    "import": Command("`import`", sound, import_),
    "import again": Command("`import` of a longer export", imported, import_),
    "next": Command("`next`, a trial beside it", to_confirm, lambda at: follow(at / "quay")),
    "next add": Command("`next`, batches added", to_add, lambda at: follow(at / "quay")),
    "pack": Command("`pack`", kept, lambda at: pack(at / "quay")),
    "unpack": Command("`unpack`", packed, lambda at: unpack(at / "quay.zip", at / "there")),
    "report": Command("`report`, its record", kept, lambda at: keep_record(at / "quay")),
    "sign": Command(
        "`records sign`", kept, lambda at: records.sign(at / "quay" / "records", 1, checked_by="Bo")
    ),
    "bench": Command("a press at the `bench`", at_the_bench, press, lambda at: Logbook(at / "quay")),
    "notebook": Command(
        "a notebook of `lab`", nothing, lambda at: shipped.put_notebook("cure", at / "a.ipynb")
    ),
}


def state(place: Path) -> State:
    """What a maker would find, without the moments at which it was written."""
    found: State = {}
    for path in sorted(place.rglob("*")):
        name = path.relative_to(place).as_posix()
        data = path.read_bytes() if path.is_file() else b""
        if zipfile.is_zipfile(path):
            with zipfile.ZipFile(path) as archive:
                found[name] = [
                    (e.filename, e.CRC) for e in archive.infolist() if e.filename != "docProps/core.xml"
                ]
        elif path.name == "ledger.jsonl":
            found[name] = [json.loads(line)["kind"] for line in data.splitlines()]
        elif path.name == JOURNAL:  # a line that was cut off was never confirmed
            if live := [entry.says for entry in Journal.open(path.parent).live()]:
                found[name] = live
        elif re.search(r"/records/quay-2/|records-head", name):
            found[name] = ""
        else:
            found[name] = data
    return found


def readings(found: State) -> State:
    """The state as a command that reads sees it: rooms and locks are nobody's business."""
    return {name: data for name, data in found.items() if HIDDEN not in name.split("/")}


class Tally(NamedTuple):
    """How often it was stopped, and how it stood afterwards."""

    stops: int
    old: int
    new: int
    mixed: list[str]
    left: int


def stopped(command: Command, place: Path, how: str) -> Tally:
    """Stop a command at its first, second, third … step until it needs no more; look after the next one.

    A disk that is full for good, which is the slowest, is tried at every third, a command of hundreds of
    steps at every few.
    """
    stride = command.each * (3 if how == "full for good" else 1)
    command.before(place / "before")
    command_then = command.then
    old = _settled(place / "before", place / "old", command_then)
    new = _settled(place / "before", place / "new", command.act, command_then)
    assert old != new
    seen, mixed, left, step, ended = Counter[str](), list[str](), 0, 0, 1
    while ended:
        step += stride
        tried = place / f"at-{step}"
        shutil.copytree(place / "before", tried)
        ended = in_child(lambda: _go(step, how, lambda: command.act(tried)))  # noqa: B023
        assert ended in ((-9, 0) if how == "killed" else (REFUSED, DONE, 0)), f"step {step}: {ended}"
        in_child(lambda: command_then(tried))  # noqa: B023
        found = state(tried)
        left += any(HIDDEN in name.split("/") for name in found)
        which = "old" if found == old else "new" if found == new else "mixed"
        if which != {REFUSED: "old", DONE: "new", 0: "new"}.get(ended, which) or which == "mixed":
            mixed.append(f"step {step}: {which}, {sorted(found.keys() ^ new.keys())}")
        seen[which] += bool(ended)
        shutil.rmtree(tried)
    return Tally(sum(seen.values()), seen["old"], seen["new"], mixed, left)


def _go(step: int, how: str, act: Work) -> None:
    steps = Steps(step, die if how == "killed" else full, for_good=how == "full for good")
    try:
        failed: object = with_steps(steps, act)
    except FizzlabError as error:
        failed = error
    os._exit(REFUSED if failed is not None else DONE if steps.count >= step else 0)


def _settled(before: Path, at: Path, *acts: Callable[[Path], object]) -> State:
    shutil.copytree(before, at)
    for act in acts:  # in this process, so that its children need not load what is loaded here
        act(at)
    return state(at)


# several at once


def at_once(works: list[Work]) -> list[bool]:
    """Run in as many processes, begun together; which said that it was done, and not that it was refused."""
    children = []
    for work in works:
        child = os.fork()
        if child == 0:
            with contextlib.redirect_stderr(io.StringIO()):
                try:
                    work()
                    os._exit(0)
                except FizzlabError:
                    os._exit(2)
                except BaseException as error:
                    os.write(2, f"{type(error).__name__}: {error}\n".encode())
                    os._exit(99)
        children.append(child)
    codes = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
    assert set(codes) <= {0, 2}, codes
    return [code == 0 for code in codes]


def imports_at_once(place: Path) -> tuple[int, int, int]:
    """Three exports at once: how many were reported, readings of them that are in the log, that should be."""
    sound(place)
    names = [f"device-{day}" for day in (8, 9, 10)]
    for day, name in zip((8, 9, 10), names, strict=True):
        export(place, name, day)
    done = at_once([lambda name=name: import_(place, name) for name in names])  # type: ignore[misc]
    log = place / "quay" / "room_log.csv"
    text = log.read_text(encoding="utf-8") if log.exists() else ""
    held = sum(text.count(f"2026-01-{day:02d}T") for day, said in zip((8, 9, 10), done, strict=True) if said)
    unsaid = sum(
        text.count(f"2026-01-{day:02d}T") for day, said in zip((8, 9, 10), done, strict=True) if not said
    )
    assert unsaid == 0
    load(place / "quay")
    return sum(done), held, 12 * sum(done)


def presses_and_an_import(place: Path) -> tuple[int, int, int]:
    """A bench and an import at once, into two tables of one folder, and a sign-off into its ledger."""
    kept(place)
    export(place, day=20)
    runs = pd.read_csv(place / "quay" / "runs.csv", dtype=str)["run"]
    (place / "quay" / "touch_checks.csv").unlink()

    def presses() -> None:
        book = Logbook(place / "quay")
        for piece in range(6):
            book.log("touch_checks", runs[0], str(piece + 1), {"dry": "no"}, MADE + 9000)

    signs = lambda: records.sign(place / "quay" / "records", 1, checked_by="Bo")  # noqa: E731
    done = at_once([presses, lambda: import_(place), signs])
    Logbook(place / "quay")
    touched = (place / "quay" / "touch_checks.csv").read_text(encoding="utf-8").count("\n") - 1
    log = (place / "quay" / "room_log.csv").read_text(encoding="utf-8").count("2026-01-20T")
    lines = len(records.read_ledger(place / "quay" / "records").lines) - 1
    return (
        sum(done),
        touched * done[0] + log * done[1] + lines * done[2],
        6 * done[0] + 12 * done[1] + done[2],
    )


def _enter_plan(folder: Path) -> None:
    about = {"trial": "quay", "title": "t", "by": "Ann", "plan": "compare", "seed": 1}
    with changing(folder) as room:
        records.enter_plan(folder / "records", room, runs=[{"run": "A"}], **about)


def reports_at_once(place: Path) -> tuple[int, int, int]:
    """Two records, a plan and a sign-off at once: each that was reported has its line, in one chain."""
    kept(place)
    acts: list[Work] = [lambda: keep_record(place / "quay"), lambda: keep_record(place / "quay")]
    acts += [lambda: _enter_plan(place / "quay")]
    acts += [lambda: records.sign(place / "quay" / "records", 1, checked_by="Bo")]
    before = len(records.read_ledger(place / "quay" / "records").lines)
    done = at_once(acts)
    ledger = records.read_ledger(place / "quay" / "records")
    assert ledger.faults() == []
    whole = sum(
        (place / "quay" / "records" / each.record / "report.html").is_file() for each in ledger.reports()
    )
    assert whole == len(ledger.reports())
    return sum(done), len(ledger.lines) - before, sum(done)


def one_of_many(
    before: Callable[[Path], None], act: Callable[[Path], object]
) -> Callable[[Path], tuple[int, int, int]]:
    """The same command three times at once where only one can be right: one is done, and done whole."""

    def tried(place: Path) -> tuple[int, int, int]:
        before(place)
        alone = place.with_name(f"{place.name}-alone")
        shutil.copytree(place, alone)
        act(alone)
        done = at_once([lambda: act(place)] * 3)
        assert {*state(place)} == {*state(alone)}
        return sum(done), int(readings(state(place)) == readings(state(alone))), 1

    return tried


AT_ONCE = {
    "three imports": imports_at_once,
    "bench, import and sign-off": presses_and_an_import,
    "two records, a plan's line and a sign-off": reports_at_once,
    "`new` three times in one folder": one_of_many(nothing, new),
    "`next` three times, a trial beside it": one_of_many(to_confirm, lambda at: follow(at / "quay")),
    "`next` three times, batches added": one_of_many(to_add, lambda at: follow(at / "quay")),
    "`demo` three times": one_of_many(nothing, lambda at: shipped.put_demo(at / "demo")),
}
