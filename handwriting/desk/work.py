"""Pages in hand: on the disk from the moment they arrive until they are kept or put away.

One folder a page, named by chance, readable by its owner only. What is in it:

``original``      the file as it came, until its pages are read; then it is deleted, with whatever it says of its maker
``page.png``      the pixels, lossless and without any metadata
``page.json``     what the file claimed about itself (`PageFacts` takes it up)
``state.json``    what was asked, the corrections made and undone, whether it was kept
``record.json``   the record as it stands, corrections in; ``tool.json`` the record as first measured
``picture.jpg``   the upright picture the screen shows

Every file is written whole or not at all, so a desk that is killed goes on where it was.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import re
import secrets
import shutil
import tempfile
import threading
from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import IO, Any

from handwriting.errors import OutputError, UsageError

_ID = re.compile(r"[0-9a-f]{20}")
_STATE = 1


@dataclass(frozen=True, slots=True)
class State:
    """What is known of one page in hand beside its pixels.

    Parameters
    ----------
    id : str
        The folder's name.
    made : str
        When it arrived, ISO 8601 with the zone.
    name : str
        The file's name as the browser gave it; shown to the person, never put into the record.
    number, count : int
        Which page of its file it is, from 1, and how many the file has.
    file : str
        The first page of that file; empty for the first page itself.
    asked : dict
        What was typed, field by field, as `task.read_task` and `calibration.Given` take it.
    corrections : tuple of dict
        All that are held, undone ones too.
    upto : int
        How many of them count; the rest can be done again.
    stage : str
        ``waiting``, ``measured`` or ``stopped``.
    trouble : str
        Why it was stopped, one sentence.
    kept : str
        Number of the sample in the store; empty while it is not kept.
    kept_at : int
        How many corrections counted when it was kept.
    together : bool
        Whether all pages of its file are measured as one sample; only the first page can be.
    """

    id: str
    made: str
    name: str = ""
    number: int = 1
    count: int = 1
    file: str = ""
    asked: dict[str, str] = field(default_factory=dict)
    corrections: tuple[dict[str, Any], ...] = ()
    upto: int = 0
    stage: str = "waiting"
    trouble: str = ""
    kept: str = ""
    kept_at: int = 0
    together: bool = False

    @property
    def counting(self) -> tuple[dict[str, Any], ...]:
        """The corrections that count."""
        return self.corrections[: self.upto]

    def corrected(self, correction: dict[str, Any]) -> State:
        """Return the state with one correction more; what was undone before it is gone."""
        return replace(self, corrections=(*self.counting, correction), upto=self.upto + 1)

    def stepped(self, step: int) -> State:
        """Return the state with one correction undone (-1) or done again (+1), itself at either end."""
        return replace(self, upto=min(max(self.upto + step, 0), len(self.corrections)))


class Desk:
    """The folder that holds the pages in hand and what the form remembers.

    Raises
    ------
    OutputError
        The folder cannot be made or written to.
    UsageError
        Another desk has it open.
    """

    def __init__(self, folder: Path, store: Path | None = None) -> None:
        self.folder = folder
        self._work = folder / "in-hand"
        self._lock = threading.Lock()
        try:
            self._work.mkdir(mode=0o700, parents=True, exist_ok=True)
            # Beside the store when there is one: two desks must not share it, whatever their folders.
            lock = folder / "open.lock" if store is None else store.with_name(f"{store.name}.desk-lock")
            lock.parent.mkdir(parents=True, exist_ok=True)
            self._hold = _lock_file(lock)
        except OSError as error:
            reason = (error.strerror or type(error).__name__).lower()
            raise OutputError(
                f"the desk's folder cannot be used ({reason})", where=str(folder), fix="Name another with --store."
            ) from error
        for left in (*self._work.glob("*/*.part"), *folder.glob("*.part")):
            left.unlink(missing_ok=True)
        for place in self._work.iterdir():
            if not (place / "state.json").exists():
                shutil.rmtree(place, ignore_errors=True)

    def close(self) -> None:
        """Let another desk open the folder."""
        self._hold.close()

    def place(self, work: str) -> Path:
        """Return the folder of a page in hand; KeyError for an id that is not one."""
        if not _ID.fullmatch(work) or not (self._work / work / "state.json").is_file():
            raise KeyError(work)
        return self._work / work

    def take(self, source: IO[bytes], name: str, asked: dict[str, str]) -> State:
        """Make a page in hand from a file."""
        state = State(secrets.token_hex(10), _now(), name, asked=asked)
        place = self._work / state.id
        place.mkdir(mode=0o700)
        with open(place / "original.part", "xb", opener=_private) as target:
            shutil.copyfileobj(source, target, 1 << 20)
            target.flush()
            os.fsync(target.fileno())
        (place / "original.part").replace(place / "original")
        self.save(state)
        return state

    def take_further(self, first: State, number: int) -> State:
        """Make a page in hand of a further page of a file whose first page is in hand."""
        state = State(secrets.token_hex(10), _now(), first.name, number, first.count, first.id, first.asked)
        place = self._work / state.id
        place.mkdir(mode=0o700)
        original = self.place(first.id) / "original"
        try:
            os.link(original, place / "original")
        except OSError:  # a disk without links
            shutil.copyfile(original, place / "original")
        self.save(state)
        return state

    def save(self, state: State) -> None:
        """Write a page's state."""
        write_json(self._work / state.id / "state.json", {"version": _STATE, **asdict(state)})

    def state(self, work: str) -> State:
        """Return a page's state; KeyError when it is not in hand."""
        document = json.loads((self.place(work) / "state.json").read_text("utf-8"))
        document.pop("version")
        return State(**{**document, "corrections": tuple(document["corrections"])})

    def change(self, work: str, **values: Any) -> State:  # noqa: ANN401 - any field of `State`
        """Change fields of a page's state, one change at a time."""
        with self._lock:
            state = replace(self.state(work), **values)
            self.save(state)
        return state

    def all(self) -> list[State]:
        """Return every page in hand, the latest first."""
        states = [self.state(p.name) for p in self._work.iterdir() if (p / "state.json").is_file()]
        return sorted(states, key=lambda s: (s.made, s.number, s.id), reverse=True)

    def remove(self, work: str, settle: Callable[[Path], None]) -> None:
        """Put a page away: its folder and all in it are deleted.

        `settle` is called with the folder once the page is gone from the lists, and returns when nobody writes there.
        """
        with self._lock:
            place = self.place(work)
            (place / "state.json").unlink()  # a half-deleted folder is no page any more
        settle(place)
        shutil.rmtree(place)

    def defaults(self) -> dict[str, str]:
        """Return what the form remembers from the sample before."""
        try:
            held = json.loads((self.folder / "form.json").read_text("utf-8"))
        except (OSError, ValueError):
            return {}
        return {str(k): str(v) for k, v in held.items()} if isinstance(held, dict) else {}

    def remember(self, asked: dict[str, str], *, by: str = "") -> None:
        """Keep what the next sample is likely to share: nothing of one pupil, nothing of one page."""
        kept = {k: v for k, v in asked.items() if k in REMEMBERED and v}
        write_json(self.folder / "form.json", {**kept, "by": by or self.defaults().get("by", "")})


def _private(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


def _now() -> str:
    return dt.datetime.now().astimezone().isoformat("T", "seconds")


# What the next sample is likely to share with this one.
REMEMBERED = (
    "minutes",
    "seconds",
    "task",
    "instruction",
    "setting",
    "paper",
    "tool",
    "country",
    "term",
    "text",
    "passage",
    "grade",
)


def write_json(path: Path, document: Any) -> None:  # noqa: ANN401 - JSON
    """Write a JSON file whole or not at all."""
    write_bytes(path, json.dumps(document, ensure_ascii=False).encode("utf-8"))


def write_bytes(path: Path, content: bytes) -> None:
    """Write a private file whole or not at all: stored under a passing name, then renamed.

    Raises
    ------
    OutputError
        The disk is full or the folder cannot be written to; the file is as it was.
    """
    handle, passing = -1, ""
    try:
        handle, passing = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(passing).replace(path)
    except OSError as error:
        if passing:
            Path(passing).unlink(missing_ok=True)
        reason = (error.strerror or type(error).__name__).lower()
        raise OutputError(f"the desk could not save this ({reason})", fix="Make room on the disk.") from error


def _lock_file(path: Path) -> IO[bytes]:
    """Open a file and hold a lock on it that ends with the process, however it ends."""
    file = path.open("a+b")
    try:
        if os.name == "nt":
            import msvcrt

            file.seek(0)
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        file.close()
        raise UsageError(
            "a desk is open on these records already",
            fix="Use the page that is open, or close that desk first; nothing was changed.",
        ) from error
    return file
