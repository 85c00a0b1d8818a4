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
from collections.abc import Callable, Mapping
from pathlib import Path
from urllib.parse import quote

import click

from fizzlab.cli.saying import FOLDER
from fizzlab.report.children import SETTINGS, jupyterlab, surroundings, voila

#: Where the bench is looked for: the same address each time, so that what was printed goes on leading there.
PORT = 8866

_OWN = click.option(
    "--own", is_flag=True, help="Open FOLDER's own notebook even where its cells are not fizzlab's."
)


@click.command(short_help="Open the notebooks in JupyterLab.")
@click.argument("folder", type=click.Path(path_type=Path), default=Path("fizzlab-notebooks"))
@_OWN
def lab(folder: Path, own: bool) -> None:
    """Open JupyterLab on a copy of the notebooks in FOLDER (fizzlab-notebooks).

    The first, start.ipynb, lists the trials that lie beside FOLDER and opens what each needs.
    """
    home, start = (
        folder.resolve(),
        _own_or(folder / "start.ipynb", put_notebooks, own, f"fizzlab lab {folder}"),
    )
    sys.exit(
        _run(
            jupyterlab(home.parent, f"--LabApp.default_url=/lab/tree/{quote(home.name)}/{quote(start.name)}")
        )
    )


@click.command(short_help="Log at the bench: large buttons on a page.")
@FOLDER
@click.option("--phone", is_flag=True, help="Let a phone or tablet in the same network open it too.")
@click.option(
    "--address", default="", help="With --phone: this computer's address there, if another is found."
)
@click.option(
    "--port", default=PORT, show_default=True, help="Where the page is served; another if it is taken."
)
@click.option("--lab", "in_lab", is_flag=True, help="Open it in JupyterLab instead.")
@_OWN
def bench(folder: Path, phone: bool, address: str, port: int, in_lab: bool, own: bool) -> None:
    """Open the bench: a page of buttons to log the trial in FOLDER while it is made and tried.

    It stays on this computer, unless --phone is given. Ctrl-C ends it.
    """
    from fizzlab.bench.logbook import Logbook

    for why in Logbook(folder).waiting():
        click.echo(f"Readings wait in the journal: {why}", err=True)
    notebook = _own_or(folder / "bench.ipynb", put_bench, own, f"fizzlab bench {folder}")
    if in_lab:
        sys.exit(_run(jupyterlab(folder, f"--LabApp.default_url=/doc/tree/{quote(notebook.name)}")))
    ip = (address or _address()) if phone else "127.0.0.1"
    port, token = _free(ip, port), secrets.token_urlsafe(12)
    url = f"http://{ip}:{port}/?token={token}"
    click.echo(f"The bench: {url}\nIt ends with Ctrl-C; whatever was logged stays.")
    if phone:
        import segno

        click.echo("Scan this with the phone. Whoever has it can log here, as long as this runs.")
        segno.make(url).terminal(compact=True)
    told = {"JUPYTER_TOKEN": token, "FIZZLAB_PHONE": url if phone else ""}
    threading.Thread(target=_open_when_there, args=[ip, port, url], daemon=True).start()
    sys.exit(_run(voila(notebook, ip, port), told))


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


def _own_or(there: Path, put: Callable[[Path], Path], own: bool, command: str) -> Path:
    """The folder's own notebook if that is asked for, else ours, saying so where the two differ."""
    shipped = put(there.parent)
    if own or shipped == there:
        return there
    what = f"{there} holds other cells than fizzlab's own, so {shipped.name} was opened."
    click.echo(f"{what} Open it, if you trust who wrote it, with: {command} --own", err=True)
    return shipped


def _address() -> str:
    """This computer's address in its network, by the way a packet would take; none is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked, contextlib.suppress(OSError):
        asked.connect(("192.0.2.1", 9))
        return str(asked.getsockname()[0])
    raise click.UsageError("This computer is in no network. Join the phone's, or give its --address.")


def _free(ip: str, port: int) -> int:
    """The port, or one that is free if another program has it."""
    for wanted in (port, 0):
        with socket.socket() as tried, contextlib.suppress(OSError):
            tried.bind((ip, wanted))
            return int(tried.getsockname()[1])
    raise click.UsageError(f"Nothing can be served at {ip}. Give this computer's own --address.")


def _open_when_there(ip: str, port: int, url: str) -> None:
    for _ in range(300):
        with contextlib.suppress(OSError):
            socket.create_connection((ip, port), 1).close()
            webbrowser.open(url)
            return
        time.sleep(0.1)


def _run(command: list[str], told: Mapping[str, str] | None = None) -> int:
    """Run a server until it is stopped; its exit code. Ctrl-C reaches it too, and is its own to answer."""
    with subprocess.Popen(command, cwd=SETTINGS, env=surroundings() | dict(told or {})) as server:
        while True:
            with contextlib.suppress(KeyboardInterrupt):
                return server.wait()
