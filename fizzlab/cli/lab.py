"""The commands `fizzlab lab` and `fizzlab bench`: notebooks in JupyterLab, the bench as a page of its own."""

from __future__ import annotations

import contextlib
import secrets
import socket
import subprocess
import sys
import threading
import time
import webbrowser
from pathlib import Path
from urllib.parse import quote

import click

from fizzlab.cli.saying import FOLDER
from fizzlab.language import say
from fizzlab.report.children import SETTINGS, server, surroundings

#: Where the bench is looked for: the same each time, so that what is printed on labels goes on leading there.
PORT = 8866


@click.command(short_help="Open the notebooks in JupyterLab.")
@click.argument("folder", type=click.Path(path_type=Path), default=Path("fizzlab-notebooks"))
def lab(folder: Path) -> None:
    """Open JupyterLab on a copy of the notebooks in FOLDER (fizzlab-notebooks).

    The first, start.ipynb, lists the trials that lie beside FOLDER and opens what each needs.
    """
    home, start = folder.resolve(), put_notebooks(folder)
    _say_own(folder / "start.ipynb", start)
    sys.exit(_start(home.parent, f"lab/tree/{quote(home.name)}/{quote(start.name)}"))


@click.command(short_help="Log at the bench: large buttons on a page.")
@FOLDER
@click.option("--phone", is_flag=True, help="Let a phone or tablet in the same network open it too.")
@click.option("--address", default="", help="With --phone: this computer's address, if another is found.")
@click.option("--port", default=PORT, show_default=True, help="Where it is served; another if it is taken.")
@click.option("--lab", "in_lab", is_flag=True, help="Open it in JupyterLab instead.")
@click.option("--own", is_flag=True, help="Open FOLDER's bench.ipynb even where its cells are not fizzlab's.")
def bench(folder: Path, phone: bool, address: str, port: int, in_lab: bool, own: bool) -> None:
    """Open the bench: a page of buttons to log the trial in FOLDER while it is made and tried.

    It stays on this computer, unless --phone is given. Ctrl-C ends it.
    """
    from fizzlab.bench.logbook import Logbook

    for why in Logbook(folder).waiting():
        click.echo(say("readings_wait", why=why), err=True)
    there = folder / "bench.ipynb"
    notebook = there if own and there.is_file() else put_bench(folder)
    if not own:
        _say_own(there, notebook, say("open_own", folder=folder))
    if in_lab:
        sys.exit(_start(folder, f"doc/tree/{quote(notebook.name)}"))
    ip = (address or _address()) if phone else "127.0.0.1"
    port, token = _free(ip, port), secrets.token_urlsafe(12)
    url = f"http://{ip}:{port}/?token={token}"
    click.echo(say("bench_at", url=url))
    if phone:
        import segno

        click.echo(say("scan_this"))
        with contextlib.suppress(UnicodeError):  # of a console that has no such signs
            segno.make(url).terminal(compact=True)
    threading.Thread(target=_open_when_there, args=[ip, port, url], daemon=True).start()
    sys.exit(_run(server("voila", notebook, f"--Voila.ip={ip}", f"--port={port}"), JUPYTER_TOKEN=token))


def put_notebooks(folder: Path) -> Path:
    """Copy the notebooks into a folder and return the first; those that are there stay as they are."""
    from fizzlab.trial import shipped

    for source in shipped.notebooks():
        if not (folder / source.name).exists():
            shipped.put_notebook(source.stem, folder / source.name)
    return shipped.put_notebook("start", folder / "start.ipynb")


def put_bench(folder: Path) -> Path:
    """Put the notebook of the bench into a trial folder, set to that folder, and return its path."""
    from fizzlab.trial import shipped

    return shipped.put_notebook("bench", folder / "bench.ipynb", folder)


def _say_own(there: Path, opened: Path, how: str = "") -> None:
    if opened != there:
        click.echo(say("other_cells", there=there, opened=opened.name, how=how), err=True)


def _start(folder: Path, page: str) -> int:
    """Run JupyterLab on a folder until it is stopped, open at one page; its exit code."""
    return _run(server("jupyterlab", folder, f"--LabApp.default_url=/{page}"))


def _run(command: list[str], **told: str) -> int:
    """Run a server until it is stopped, or this is. Ctrl-C reaches it too, and is its own to answer."""
    with subprocess.Popen(command, cwd=SETTINGS, env=surroundings() | told, stdin=subprocess.PIPE) as running:
        while True:
            with contextlib.suppress(KeyboardInterrupt):
                return running.wait()


def _address() -> str:
    """This computer's address in its network, by the way a packet would take; none is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked, contextlib.suppress(OSError):
        asked.connect(("192.0.2.1", 9))
        return str(asked.getsockname()[0])
    raise click.UsageError(say("no_network"))


def _free(ip: str, port: int) -> int:
    """The port, or one that is free if another program has it."""
    for wanted in (port, 0):
        with contextlib.suppress(OSError), socket.create_server((ip, wanted)) as tried:
            return int(tried.getsockname()[1])
    raise click.UsageError(say("not_served", ip=ip))


def _open_when_there(ip: str, port: int, url: str) -> None:
    for _ in range(300):
        with contextlib.suppress(OSError):
            socket.create_connection((ip, port), 1).close()
            webbrowser.open(url)
            return
        time.sleep(0.1)
