"""A report's HTML page in, a PDF out, printed by an installed Chromium-family browser that has no network."""

from __future__ import annotations

import contextlib
import logging
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from html import unescape
from pathlib import Path
from typing import Any, Literal

from fizzlab import records
from fizzlab.errors import FizzlabError
from fizzlab.language import say
from fizzlab.records.ledger import LEDGER
from fizzlab.records.store import ENTRY

Paper = Literal["a4", "letter"]

#: Names a browser, where the usual places do not hold it.
NAMED = "FIZZLAB_BROWSER"

#: Chromium prints what a page puts into its margins from this version on.
OLDEST = 131

_COMMANDS = [
    *("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome"),
    *("microsoft-edge", "microsoft-edge-stable", "msedge", "brave-browser", "brave"),
]

_MAC = ("Chromium", "Google Chrome", "Microsoft Edge", "Brave Browser")

_WINDOWS = (
    r"Chromium\Application\chrome.exe",
    r"Google\Chrome\Application\chrome.exe",
    r"Microsoft\Edge\Application\msedge.exe",
    r"BraveSoftware\Brave-Browser\Application\brave.exe",
)

_LINUX = ("/snap/bin/chromium", "/opt/google/chrome/chrome", "/opt/microsoft/msedge/msedge")

_ALONE = [
    *("--headless", "--disable-gpu", "--disable-extensions", "--disable-sync", "--disable-component-update"),
    *("--disable-background-networking", "--disable-dev-shm-usage", "--host-resolver-rules=MAP * ~NOTFOUND"),
    *("--no-first-run", "--no-default-browser-check", "--no-pdf-header-footer"),
    "--generate-pdf-document-outline",
]


#: What a page may load while it is printed: nothing but what stands in it; no script runs.
_CLOSED = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"

#: What would lead away from the page without a script.
_LEADS_AWAY = re.compile(r"http-equiv\s*=\s*[\"']?\s*refresh", re.IGNORECASE)


class NotPrinted(FizzlabError):
    """No PDF came out; the sentence says why and what would help."""


def find_browser(environment: Mapping[str, str] | None = None, system: str = sys.platform) -> Path:
    """A Chromium-family browser: the one that FIZZLAB_BROWSER names, or the first in the usual places."""
    environment = os.environ if environment is None else environment
    path = os.pathsep.join(filter(os.path.isabs, environment.get("PATH", "").split(os.pathsep)))
    named = environment.get(NAMED, "").strip()
    for command in [named] if named else _COMMANDS:
        found = shutil.which(command, path=path)
        if found and (named or Path(found).is_absolute()):  # one in the current folder is not meant
            return Path(found)
    if named:
        raise NotPrinted(say("no_program", variable=NAMED, named=named))
    for place in _usual_places(environment, system):
        if place.is_file():
            return place
    raise NotPrinted(say("no_browser", variable=NAMED))


def _usual_places(environment: Mapping[str, str], system: str) -> list[Path]:
    if system == "darwin":
        homes = (Path("/Applications"), Path(environment.get("HOME", "/")) / "Applications")
        return [home / f"{name}.app/Contents/MacOS/{name}" for home in homes for name in _MAC]
    if system == "win32":
        variables = ("PROGRAMFILES", "PROGRAMFILES(X86)", "LOCALAPPDATA")
        folders = [Path(environment[name]) for name in variables if environment.get(name)]
        return [folder / name for folder in folders for name in _WINDOWS]
    return [Path(name) for name in _LINUX]


def print_pdf(
    html: Path,
    pdf: Path,
    *,
    paper: Paper = "a4",
    whole: bool = False,
    browser: Path | None = None,
    timeout_s: float = 60.0,
) -> None:
    """Print the front page of a report, or a whole page, to a PDF, in one step or not at all (NotPrinted)."""
    browser = browser or find_browser()
    try:
        rooms: dict[str, Any] = {"prefix": ".printing-", "dir": pdf.parent, "ignore_cleanup_errors": True}
        with tempfile.TemporaryDirectory(**rooms) as name:
            room = Path(name).resolve()
            text = html.read_text(encoding="utf-8")
            if whole:
                text = text.replace("<html ", '<html class="whole" ', 1)
                text = text.replace("<details>", "<details open>")
            if _LEADS_AWAY.search(unescape(text)):
                raise NotPrinted(say("leads_away", html=html))
            text = f'<!doctype html><meta http-equiv="Content-Security-Policy" content="{_CLOSED}">{text}'
            head, end, body = text.partition("</head>")
            size = f"<style>@page {{ size: {paper} }}</style>"
            page = f"{head}{size}{end}{body}" if end else f"{size}{head}"
            (room / "page.html").write_text(page, encoding="utf-8")
            _run(browser, room, timeout_s)
            _check(browser, room / "page.pdf")
            os.replace(room / "page.pdf", pdf)
    except OSError as error:
        why = error.strerror or error
        raise NotPrinted(say("print_refused", why=why, file=error.filename)) from None


def print_page(page: Path, to: Path | None = None, *, paper: Paper = "a4", whole: bool = False) -> Path:
    """Print a record's folder or a page to `to`, or beside it; change nothing that is there (NotPrinted)."""
    html = page / "report.html" if page.is_dir() else page
    if not html.is_file():
        raise NotPrinted(say("no_report_in" if page.is_dir() else "no_page", page=page))
    beside = html.resolve().parent if _is_record(html.resolve().parent) else html
    pdf = to or (beside.parent / f"{beside.name if beside.is_dir() else beside.stem}.pdf")
    if any(map(_is_record, pdf.resolve().parents)):
        raise NotPrinted(say("never_into_record"))
    faults = records.verify(beside).faults if _is_record(beside) else ()
    altered = [fault.sentence for fault in faults if fault.kind in ("ledger", "record", "link")]
    if altered:
        raise NotPrinted("\n".join([*altered, say("not_printed_see")]))
    if pdf.exists():
        raise NotPrinted(say("pdf_there", pdf=pdf))
    print_pdf(html, pdf, paper=paper, whole=whole)
    return pdf


def _is_record(folder: Path) -> bool:
    signs = (folder / "inputs.json", folder / ENTRY, folder.parent / LEDGER)
    return (folder / "report.html").is_file() and any(sign.is_file() for sign in signs)


def _run(browser: Path, room: Path, timeout_s: float) -> None:
    """Let the browser print; where its sandbox cannot work at all, print without it, and say so."""
    bare = hasattr(os, "geteuid") and os.geteuid() == 0  # then Chromium refuses to start with it
    said = _run_once(browser, room, ["--no-sandbox"] if bare else [], timeout_s)
    if said is not None and not bare and "sandbox" in said.casefold():
        bare, said = True, _run_once(browser, room, ["--no-sandbox"], timeout_s)
    if said is not None:
        last = said.strip().splitlines() or [say("not_said_why")]
        raise NotPrinted(say("printed_nothing", browser=browser, why=last[-1].strip()[:200].rstrip(".")))
    if bare:
        logging.getLogger("fizzlab").warning(say("printed_bare"))


def _run_once(browser: Path, room: Path, extra: list[str], timeout_s: float) -> str | None:
    """None where a PDF came out; otherwise what the browser said."""
    # into a file: a pipe would be held open by any child that outlives the browser
    with (room / "said.txt").open("w+b") as said:
        places = [f"--user-data-dir={room / 'profile'}", f"--print-to-pdf={room / 'page.pdf'}"]
        command = [str(browser), *_ALONE, *extra, *places, (room / "page.html").as_uri()]
        none: Any = {"stdin": subprocess.DEVNULL, "stdout": subprocess.DEVNULL}
        process = subprocess.Popen(command, stderr=said, start_new_session=os.name != "nt", **none)
        try:
            process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            raise NotPrinted(say("printing_too_long", browser=browser, seconds=timeout_s)) from None
        finally:
            with contextlib.suppress(ProcessLookupError, PermissionError):
                # with all its children, so that none of them writes into a folder being removed
                process.kill() if os.name == "nt" else os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        if process.returncode == 0 and (room / "page.pdf").is_file():
            return None
        said.seek(0)
        return said.read().decode("utf-8", "replace")


def _check(browser: Path, pdf: Path) -> None:
    content = pdf.read_bytes()
    if not content.startswith(b"%PDF-") or b"%%EOF" not in content[-1024:]:
        raise NotPrinted(say("pdf_not_whole", browser=browser))
    version = re.search(rb"Skia/PDF m(\d+)", content)
    if version and int(version[1]) < OLDEST:
        raise NotPrinted(say("browser_old", browser=browser, version=int(version[1]), oldest=OLDEST))
