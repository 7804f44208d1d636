"""Serving the page on this machine: a port, the door, the browser, and an orderly end."""

import contextlib
import os
import socket
import threading
import webbrowser
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import uvicorn

from macrocheck.errors import InputError
from macrocheck.paths import os_reason
from macrocheck.review.app import Server, build
from macrocheck.review.choices import Limits
from macrocheck.review.desk import Desk
from macrocheck.review.folder import KeepFolder
from macrocheck.review.guard import Guard, Keys
from macrocheck.review.keeping import Records
from macrocheck.review.sources import sources_of
from macrocheck.units import LengthUnit

DEBUG = "MACROCHECK_DEBUG"
"""Environment variable: set, an unexpected fault shows its details on the terminal."""
HOST = "127.0.0.1"
"""Loopback only: the page is for the person at this machine."""
_BROWSER_WAIT_S = 0.2


@dataclass(frozen=True, slots=True)
class Wish:
    """What is opened and how. `settings`: as `choices.chosen` takes them; `limits` those that they name."""

    names: tuple[str, ...]
    keep: Path
    settings: Mapping[str, Any]
    limits: Limits | None
    unit: LengthUnit
    who: str
    port: int = 0


def default_keep() -> Path:
    """Return the folder of this user's own in which a review keeps its work."""
    from platformdirs import user_state_path

    return user_state_path("macrocheck", appauthor=False) / "review"


def listening(port: int) -> socket.socket:
    """Return a socket that listens on this machine; `port` 0: a free one. InputError where it is taken."""
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((HOST, port))
        sock.listen(128)  # the browser may ask before the server is up; it waits then
    except OSError as error:
        sock.close()
        msg = f"Port {port} cannot be used: {os_reason(error)}; name another with --port, or leave it out."
        raise InputError(msg) from error
    return sock


def serve(wish: Wish, *, say: Callable[[str], None], browser: bool) -> None:
    """Serve the page until the program is ended; `say` is given the address. Raises InputError."""
    with KeepFolder(wish.keep) as keep:
        sources, records = sources_of(wish.names, keep)
        desk = Desk(keep, sources, wish=wish.settings, limits=wish.limits, who=wish.who)
        sock = listening(wish.port)
        port = int(sock.getsockname()[1])
        keys = Keys()
        address = f"http://{HOST}:{port}/?key={keys.entry}"
        guarded = Guard(build(Server(desk, Records(keep, records), wish.unit)), keys, port)
        config = uvicorn.Config(
            guarded,
            log_level="error" if os.environ.get(DEBUG) else "critical",
            access_log=False,
            lifespan="off",
            server_header=False,
            timeout_keep_alive=30,
        )
        server = uvicorn.Server(config)
        desk.begin()
        say(address)
        if browser:
            threading.Timer(_BROWSER_WAIT_S, webbrowser.open, [address]).start()
        try:
            with contextlib.suppress(KeyboardInterrupt):  # Ctrl-C is how it is meant to end
                server.run(sockets=[sock])
        finally:
            desk.end()
            sock.close()


def named(names: Sequence[str]) -> tuple[str, ...]:
    """Return the names as given, each once."""
    return tuple(dict.fromkeys(names))
