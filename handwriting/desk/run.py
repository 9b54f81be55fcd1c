"""Starting and ending the desk: the folder is locked, the port is bound on the loopback alone, then it is served."""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Callable
from functools import partial
from pathlib import Path

import uvicorn

from handwriting.desk.jobs import Jobs
from handwriting.desk.records import Records
from handwriting.desk.safety import Doors
from handwriting.desk.server import Room, application
from handwriting.desk.watch import Watch
from handwriting.desk.work import Desk
from handwriting.errors import UsageError
from handwriting.store import default_path

LOOPBACK = "127.0.0.1"


def open_desk(
    store: Path | None,
    port: int,
    opened: Callable[[str], None],
    *,
    watched: Path | None = None,
    passphrase: Callable[[], str] | None = None,
) -> None:
    """Serve the desk until it is closed.

    Parameters
    ----------
    store : Path or None
        The store of kept records; the pages in hand go into a folder beside it.
    port : int
        Where to listen on the loopback; 0 takes a free port.
    opened : callable
        Called with the opening link once the desk listens.
    watched : Path, optional
        A scanner's folder: files put there while the desk is open are taken in.
    passphrase : callable, optional
        Asked when the store is encrypted.

    Raises
    ------
    UsageError
        Another desk has the store open, or the port is taken.
    OutputError
        The folder cannot be used.
    FileNotReadableError
        The scanner's folder is not there.
    """
    place = store or default_path()
    desk = Desk(place.with_name(f"{place.stem}-desk"), place)
    records = Records(place, passphrase)
    jobs: Jobs | None = None
    watch: Watch | None = None
    listening: socket.socket | None = None
    try:
        if records.there:
            records.do(lambda held: held.due())  # asks for the passphrase now, while the terminal is at hand
        listening = _listen(port)
        jobs = Jobs(desk)
        if watched is not None:
            watch = Watch(watched, partial(_take, desk, jobs))
            watch.start()
        doors = Doors(listening.getsockname()[1])
        server: uvicorn.Server

        def stop() -> None:
            server.should_exit = True

        config = uvicorn.Config(
            application(Room(desk, jobs, doors, stop, records, str(watched or ""))),
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=False,
            lifespan="off",
            ws="none",
            limit_concurrency=64,
            timeout_keep_alive=30,
            timeout_graceful_shutdown=2,
        )
        # Uvicorn's own messages may hold addresses and tracebacks; the desk's log holds patterns of addresses only.
        logging.getLogger("uvicorn").disabled = True
        logging.getLogger("uvicorn.error").disabled = True
        server = uvicorn.Server(config)
        opened(doors.link)
        server.run(sockets=[listening])
    finally:
        if watch is not None:
            watch.close()
        if jobs is not None:
            jobs.close()
        records.close()
        if listening is not None:
            listening.close()
        desk.close()


def _take(desk: Desk, jobs: Jobs, path: Path) -> None:
    """Take in a file from the scanner's folder, asked as the form remembers."""
    try:
        with path.open("rb") as file:
            state = desk.take(file, path.name, {k: v for k, v in desk.defaults().items() if k != "by"})
    except OSError:  # gone again, or not to be read: it is in nobody's hand then
        return
    jobs.measure(state, at_hand=False)


def _listen(port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name == "posix":
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((LOOPBACK, port))
        listening.listen(128)
    except OSError as error:
        listening.close()
        raise UsageError(f"port {port} is taken", where="--port", fix="Leave --port out to take a free one.") from error
    return listening
