"""The verb `serve`: the local page over a shelf."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from indexhole.errors import InputFault

if TYPE_CHECKING:
    from indexhole.web.server import Place


def _password(file: Path | None) -> str:
    if file is None:
        return os.environ.get("INDEXHOLE_PASSWORD", "")
    try:
        return file.read_text(encoding="utf-8").splitlines()[0].strip()
    except (OSError, UnicodeDecodeError, IndexError) as fault:
        raise InputFault(
            f"holds no password ({getattr(fault, 'strerror', None) or 'nothing legible in it'})",
            where=str(file),
            remedy="write the password in its first line",
        ) from fault


def serve(
    shelf: Annotated[Path | None, typer.Option(help="The shelf's folder; else INDEXHOLE_SHELF, else your own.")] = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port; 0 takes any free one.")] = 8360,
    share: Annotated[
        bool, typer.Option("--share", help="Let others on the network in, with a password; else this machine alone.")
    ] = False,
    host: Annotated[
        str, typer.Option(help="Address to listen at; beyond this machine it needs a password.")
    ] = "127.0.0.1",
    password_file: Annotated[
        Path | None, typer.Option(help="File whose first line is the password; else INDEXHOLE_PASSWORD.")
    ] = None,
    proxy: Annotated[
        str, typer.Option(metavar="ADDRESS", help="Address of a proxy in front, whose word of who asks is taken.")
    ] = "",
    answer_to: Annotated[
        list[str] | None, typer.Option(metavar="NAME", help="Further host name the page answers to; may be repeated.")
    ] = None,
    open: Annotated[bool, typer.Option("--open", help="Open the page in the browser.")] = False,
) -> None:
    """Open the local page on a shelf (a new one is begun where there is none). Ctrl-C ends it."""
    if share and host == "127.0.0.1":
        host = "0.0.0.0"
    from indexhole.web.server import Place

    place = Place(host, port, _password(password_file), proxy, tuple(answer_to or ()))
    serve_shelf(shelf, place, show=open)


def serve_shelf(folder: Path | None, place: Place, *, show: bool = False) -> None:
    """Serve the page over the shelf in a folder until interrupted.

    Raises InputFault or ShelfFault; the page's own faults become error pages.
    """
    from indexhole.cli.open_shelf import has_shelf
    from indexhole.cli.present import remark, say
    from indexhole.shelf.register.shelf import Shelf
    from indexhole.web.server import is_loopback, serve_page

    def open_shelf() -> Shelf:
        fresh = not has_shelf(folder)
        shelf = Shelf.open(folder, create=True, keep=True)
        if fresh:
            remark(f"a new shelf is begun in {shelf.at.label}")
        if not is_loopback(place.host):
            remark("others on the network can reach the page; what goes to and fro is not encrypted")
        return shelf

    def ready(address: str) -> None:
        say(f"The page is at {address}")
        sys.stdout.flush()
        if show:
            import webbrowser

            webbrowser.open(address)

    serve_page(open_shelf, place, ready, remark)
