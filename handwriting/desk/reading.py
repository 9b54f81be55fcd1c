"""Reading together: word pictures in shuffled order, without the text, for one adult or more to read on the screen."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any
from urllib.parse import quote

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from handwriting.desk.pages import attached, found
from handwriting.desk.server import Room, change, see, show
from handwriting.desk.work import State, write_json
from handwriting.errors import UsageError
from handwriting.legibility.pictures import Key, read_key
from handwriting.legibility.score import score, together
from handwriting.quantity import Measured, NotMeasured
from handwriting.report.rounding import rounded
from handwriting.report.table import safe
from handwriting.report.words import catalogue
from handwriting.typed import read_role

MOST = 60


def routes(room: Room) -> list[Route]:
    """Return the routes of this part."""
    return [
        show("/work/{id}/read", room, reading),
        change("/work/{id}/read", room, begin),
        show("/work/{id}/read/{item:int}.png", room, picture),
        show("/work/{id}/read/sheet", room, sheet),
        change("/work/{id}/read/answers", room, answers),
        show("/work/{id}/read/answers.csv", room, table),
    ]


def _folder(room: Room, state: State) -> Path:
    return room.desk.place(state.id) / "reading"


def _key(room: Room, state: State) -> Key | None:
    path = _folder(room, state) / "key.json"
    return read_key(path.read_text("utf-8"), where="the words to read") if path.exists() else None


def _given(room: Room, state: State) -> dict[str, dict[int, str]]:
    """Return every reader's answers by item."""
    path = _folder(room, state) / "answers.json"
    held: dict[str, dict[str, str]] = json.loads(path.read_text("utf-8")) if path.exists() else {}
    return {reader: {int(item): said for item, said in given.items()} for reader, given in held.items()}


def reading(room: Room, request: Request) -> Response:
    """Show who has read what, and begin another reading."""
    state = found(room, request)
    key, given = _key(room, state), _given(room, state)
    return room.page(
        "reading.html",
        title="Read together",
        state=state,
        items=len(key.items) if key else 0,
        readers=_scores(given, key) if key else [],
        pairs=_pairs(given, key) if key else [],
        by=room.desk.defaults().get("by", ""),
        most=MOST,
    )


def begin(room: Room, request: Request, form: FormData) -> Response:
    """Cut out the words the first time, then give a reader the sheet."""
    state = found(room, request)
    reader = _reader(form)
    if _key(room, state) is None:
        room.jobs.cut_words(state, MOST)
    if reader in _given(room, state):
        raise UsageError(f"{reader} has read these words already", fix="Let another adult read them.")
    return see(request, f"/work/{state.id}/read/sheet?reader={quote(reader)}")


def _reader(form: FormData) -> str:
    given = str(form.get("reader") or "").strip()
    if not given:
        raise UsageError("the reader is not named", where="--reader", fix="Give a role or initials.")
    return read_role(given, "--reader")


def sheet(room: Room, request: Request) -> Response:
    """Show the word pictures with a place to type what each says; neither text nor anybody's answers."""
    state = found(room, request)
    key = _key(room, state)
    if key is None:
        raise HTTPException(404)
    reader = read_role(request.query_params.get("reader", ""), "--reader")
    return room.page(
        "reading-sheet.html", title="Read the words", state=state, reader=reader, items=[i.item for i in key.items]
    )


def picture(room: Room, request: Request) -> Response:
    """Return the picture of one word."""
    path = _folder(room, found(room, request)) / f"{request.path_params['item']}.png"
    if not path.is_file():
        raise HTTPException(404)
    return Response(path.read_bytes(), media_type="image/png")


def answers(room: Room, request: Request, form: FormData) -> Response:
    """Store what a reader read."""
    state, reader = found(room, request), _reader(form)
    key, given = _key(room, state), _given(room, state)
    if key is None:
        raise HTTPException(404)
    said = {i.item: str(form.get(f"w{i.item}") or "").strip()[:100] for i in key.items}
    write_json(_folder(room, state) / "answers.json", {**given, reader: said})
    return see(request, f"/work/{state.id}/read")


def _told(quantity: Measured | NotMeasured) -> str:
    if isinstance(quantity, NotMeasured):
        return quantity.why
    words, shown = catalogue(), rounded(quantity.value, quantity.low, quantity.high)
    unit = "%" if quantity.unit == "%" else ""
    return f"{shown.value}{unit} ({words.say('interval', low=shown.low, high=shown.high)})"


def _scores(given: dict[str, dict[int, str]], key: Key) -> list[dict[str, Any]]:
    made = [score(reader, said, key) for reader, said in given.items()]
    return [
        {"reader": s.reader, "words": _told(s.words), "letters": _told(s.letters), "ticked": s.ticked} for s in made
    ]


def _pairs(given: dict[str, dict[int, str]], key: Key) -> list[dict[str, str]]:
    pairs = together(given, key)
    return [{"who": f"{p.first} and {p.second}", "agree": _told(p.agree), "kappa": _told(p.kappa)} for p in pairs]


def table(room: Room, request: Request) -> Response:
    """Return all answers as a table: the words' text beside them, so it is for after the reading."""
    state = found(room, request)
    key, given = _key(room, state), _given(room, state)
    if key is None:
        raise HTTPException(404)
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["item", "word", "text", *(safe(reader) for reader in given)])
    for item in key.items:
        said = [safe(of.get(item.item, "")) for of in given.values()]
        writer.writerow([item.item, item.word, safe(item.text), *said])
    return attached(out.getvalue().encode("utf-8-sig"), "text/csv", "reading.csv")
