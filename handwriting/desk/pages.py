"""The pages of one scan: start, see, put right, report."""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import json
import re
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, cast

import cv2
import numpy as np
from numpy.typing import NDArray
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from handwriting.corrections.model import Correction
from handwriting.desk import forms
from handwriting.desk.server import Room, change, see, show
from handwriting.desk.work import State
from handwriting.errors import FileNotReadableError, UsageError
from handwriting.record import Record, load
from handwriting.report.words import Catalogue, find_catalogue
from handwriting.sheet.passages import list_passages
from handwriting.sheet.rulings import RULINGS
from handwriting.typed import read_role

SAMPLE = {
    "code": "HB-07",
    "grade": "4",
    "minutes": "5",
    "reached": "view",
    "task": "near-copy",
    "instruction": "usual",
    "script": "joined",
    "setting": "school",
}


def routes(room: Room) -> list[Route]:
    """Return the routes of this part."""
    return [
        show("/", room, start),
        change("/work", room, take),
        change("/sample", room, sample),
        show("/hand", room, in_hand),
        show("/work/{id}", room, work),
        show("/work/{id}/status", room, status),
        show("/work/{id}/view.json", room, view_json),
        show("/work/{id}/picture.jpg", room, picture),
        show("/work/{id}/report", room, report),
        show("/work/{id}/report.pdf", room, report_pdf),
        show("/work/{id}/files/{name}", room, download),
        change("/work/{id}/asked", room, asked),
        change("/work/{id}/again", room, again),
        change("/work/{id}/together", room, together),
        change("/work/{id}/stop", room, stop),
        change("/work/{id}/remove", room, remove),
        change("/work/{id}/correct", room, correct),
        change("/work/{id}/step", room, step),
        show("/sheets", room, sheets),
        show("/sheets/sheet.pdf", room, sheet_pdf),
        show("/about", room, about),
        change("/close", room, close),
    ]


def found(room: Room, request: Request) -> State:
    """Return the page in hand that a path names; 404 when there is none."""
    try:
        return room.desk.state(request.path_params["id"])
    except KeyError:
        raise HTTPException(404) from None


def start(room: Room, _: Request) -> Response:
    """Show the start page."""
    return room.page(
        "start.html",
        title="Start",
        values=room.desk.defaults(),
        passages=list_passages(),
        labels=forms.LABELS,
        choices=forms.CHOICES,
        hand=[_card(room, s) for s in room.desk.all()],
        watched=room.watched,
    )


def in_hand(room: Room, _: Request) -> Response:
    """Say which pages are in hand and how far each is."""
    return JSONResponse({s.id: room.jobs.status(s) for s in room.desk.all()})


def _card(room: Room, state: State) -> dict[str, Any]:
    now = room.jobs.status(state)
    return {
        "id": state.id,
        "name": state.name or "a pasted picture",
        "page": f"page {state.number} of {state.count}" if state.count > 1 else "",
        "code": state.asked.get("code", ""),
        "made": state.made[:16].replace("T", " "),
        "stage": now["stage"],
        "trouble": now["trouble"],
        "kept": state.kept,
        "corrections": state.upto,
    }


def take(room: Room, request: Request, form: FormData) -> Response:
    """Take in files, each a page in hand or several, and have them measured."""
    filled = forms.asked(form)
    forms.check(filled)
    uploads = [u for u in form.getlist("files") if isinstance(u, UploadFile) and (u.filename or u.size)]
    if not uploads:
        raise UsageError("no file was chosen", fix="Choose a scan or photo: PNG, JPEG, TIFF, PDF, BMP or WebP.")
    room.desk.remember(filled)
    made = [room.desk.take(u.file, _name(u.filename), filled) for u in uploads]
    for place, state in enumerate(made):
        room.jobs.measure(state, at_hand=place == 0)
    return see(request, f"/work/{made[0].id}" if len(made) == 1 else "/", ids=[s.id for s in made])


def _name(given: str | None) -> str:
    """Return the last part of a file's name, without what cannot be shown; it is shown, and never opened."""
    last = re.split(r"[/\\]", given or "")[-1]
    return "".join(c for c in last if c.isprintable())[:120]


@cache
def sample_folder() -> Path:
    """Return the folder of sample pages: beside the package in the project, inside it when installed."""
    inside = Path(str(resources.files("handwriting"))) / "samples"
    return inside if inside.is_dir() else Path(str(resources.files("handwriting"))).parent / "samples"


def sample(room: Room, request: Request, _: FormData) -> Response:
    """Take in the sample page that comes with the program."""
    text = (sample_folder() / "able.txt").read_text("utf-8")
    with (sample_folder() / "able.png").open("rb") as file:
        state = room.desk.take(file, "sample page", {**SAMPLE, "text": text.strip()})
    room.jobs.measure(state, at_hand=True)
    return see(request, f"/work/{state.id}", ids=[state.id])


def work(room: Room, request: Request) -> Response:
    """Show one page in hand: measured, being measured, or why it is not."""
    state = found(room, request)
    return room.page(
        "work.html",
        title="Page " + (state.asked.get("code") or state.name or "in hand"),
        state=state,
        card=_card(room, state),
        values=state.asked,
        labels=forms.LABELS,
        choices=forms.CHOICES,
        passages=list_passages(),
        pages=_siblings(room, state),
        by=room.desk.defaults().get("by", ""),
        today=dt.datetime.now().astimezone().date().isoformat(),
    )


def _siblings(room: Room, state: State) -> list[State]:
    """Return the pages in hand of the same file, in order; none when it has one page."""
    first = state.file or state.id
    pages = [s for s in room.desk.all() if first in {s.id, s.file}] if state.count > 1 else []
    return sorted(pages, key=lambda s: s.number)


def status(room: Room, request: Request) -> Response:
    """Say how far a page is."""
    # A short wait here saves a person the time between two looks.
    return JSONResponse(room.jobs.status(found(room, request), patience_s=0.5))


def _file(room: Room, state: State, name: str) -> bytes:
    if name == "record.json":
        room.jobs.settle(state)
    path = room.desk.place(state.id) / name
    if not path.is_file():
        raise HTTPException(404)
    return path.read_bytes()


def view_json(room: Room, request: Request) -> Response:
    """Return what the page's script draws."""
    state = found(room, request)
    return _view(state, json.loads(_file(room, state, "view.json")))


def _view(state: State, shown: dict[str, Any]) -> Response:
    held = {"undo": state.upto, "redo": len(state.corrections) - state.upto, "kept": state.kept}
    return JSONResponse({**shown, **held})


def picture(room: Room, request: Request) -> Response:
    """Return the upright picture, made anew from its pixels."""
    return Response(_file(room, found(room, request), "picture.jpg"), media_type="image/jpeg")


def record_of(room: Room, state: State) -> Record:
    """Return a page's record as it stands."""
    return load(_file(room, state, "record.json").decode("utf-8"), where="the page's record")


def pixels(room: Room, state: State) -> NDArray[np.uint8]:
    """Return the upright picture as RGB or grey, with what was blanked painted over."""
    return decoded(_file(room, state, "picture.jpg"))


def decoded(content: bytes) -> NDArray[np.uint8]:
    """Return a picture of the desk's own making as RGB or grey."""
    data = np.frombuffer(content, np.uint8)
    read = cv2.imdecode(data, cv2.IMREAD_UNCHANGED)
    if read is None:
        raise FileNotReadableError("the page's picture is gone or damaged", fix="Measure the page again.")
    return cast("NDArray[np.uint8]", read if read.ndim == 2 else cv2.cvtColor(read, cv2.COLOR_BGR2RGB))


def report(room: Room, request: Request) -> Response:
    """Show the report: one page without script, under the policy it carries itself."""
    from handwriting.report.html import render_html

    state = found(room, request)
    return report_page(render_html(record_of(room, state), pixels(room, state), words=words_of(request)))


def report_pdf(room: Room, request: Request) -> Response:
    """Return the report as PDF."""
    from handwriting.report.pdf import page_pdf

    state = found(room, request)
    content = page_pdf(record_of(room, state), pixels(room, state), words=words_of(request))
    return attached(content, "application/pdf", "report.pdf")


def words_of(request: Request) -> Catalogue:
    """Return the wording in the language asked for, English without one."""
    return find_catalogue(request.query_params.get("language", "en"))


def report_page(html: str) -> Response:
    """Return a report as a page: its one style is allowed by its fingerprint, script is not allowed at all."""
    style = re.search(r"<style>(.*?)</style>", html, re.DOTALL)
    mark = base64.b64encode(hashlib.sha256((style[1] if style else "").encode()).digest()).decode()
    policy = (
        f"default-src 'none'; img-src data:; style-src 'sha256-{mark}'; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'"
    )
    return Response(html, media_type="text/html", headers={"content-security-policy": policy})


def download(room: Room, request: Request) -> Response:
    """Return one of the files the command line writes."""
    from handwriting.encoding import png
    from handwriting.report.html import render_html
    from handwriting.report.overlay import overlay
    from handwriting.report.table import measures_csv

    state, name = found(room, request), request.path_params["name"]
    if name == "record.json":
        content, kind = _file(room, state, name), "application/json"
    elif name == "measures.csv":
        content, kind = measures_csv(record_of(room, state)).encode("utf-8-sig"), "text/csv"
    elif name == "overlay.png":
        content, kind = png(overlay(record_of(room, state), pixels(room, state))), "image/png"
    elif name == "report.html":
        content, kind = render_html(record_of(room, state), pixels(room, state)).encode(), "text/html"
    else:
        raise HTTPException(404)
    return attached(content, kind, name)


def attached(content: bytes, kind: str, name: str) -> Response:
    """Return a file to be saved under a name of the program's own making."""
    return Response(content, media_type=kind, headers={"content-disposition": f'attachment; filename="{name}"'})


def asked(room: Room, request: Request, form: FormData) -> Response:
    """Change what was asked, and measure again."""
    state, filled = found(room, request), forms.asked(form)
    forms.check(filled)
    room.desk.remember(filled)
    room.jobs.measure(room.desk.change(state.id, asked=filled), at_hand=True)
    return see(request, f"/work/{state.id}")


def again(room: Room, request: Request, _: FormData) -> Response:
    """Measure a page again."""
    state = found(room, request)
    room.jobs.measure(state, at_hand=True)
    return see(request, f"/work/{state.id}")


def together(room: Room, request: Request, form: FormData) -> Response:
    """Measure all pages of a file as one sample, or its first page by itself again."""
    state = found(room, request)
    state = room.desk.state(state.file) if state.file else state
    as_one = form.get("as") == "one"
    # What was put right points at places on the page as it was laid out before.
    state = room.desk.change(state.id, together=as_one, corrections=(), upto=0)
    room.jobs.measure(state, at_hand=True)
    return see(request, f"/work/{state.id}")


def stop(room: Room, request: Request, _: FormData) -> Response:
    """Stop measuring a page."""
    state = found(room, request)
    room.jobs.stop(state.id)
    return see(request, f"/work/{state.id}")


def remove(room: Room, request: Request, _: FormData) -> Response:
    """Put a page away for good."""
    state = found(room, request)
    room.jobs.put_away(state.id)
    return see(request, "/")


def correct(room: Room, request: Request, form: FormData) -> Response:
    """Add one correction; the record follows at once."""
    state = found(room, request)
    given = form.get("correction")
    try:
        document = json.loads(given) if isinstance(given, str) else None
    except json.JSONDecodeError:
        document = None
    if not isinstance(document, dict):
        raise HTTPException(400)
    who, when = _who(room, form), dt.datetime.now().astimezone().isoformat("T", "seconds")
    made = Correction.from_dict({**document, "who": who, "when": when})
    return _corrected(room, state, state.corrected(made.as_dict()))


def _who(room: Room, form: FormData) -> str:
    """Return who puts right, remembered for the next time."""
    given, held = str(form.get("by") or "").strip(), room.desk.defaults()
    if not given:
        return ""
    who = read_role(given, "--by")
    if held.get("by") != who:
        room.desk.remember(held, by=who)
    return who


def step(room: Room, request: Request, form: FormData) -> Response:
    """Undo one correction, or do it again."""
    state = found(room, request)
    return _corrected(room, state, state.stepped(1 if form.get("step") == "redo" else -1))


def _corrected(room: Room, before: State, after: State) -> Response:
    if room.jobs.status(before)["stage"] != "measured":
        raise UsageError("the page is still being measured", fix="Wait until its numbers are shown.")
    shown = room.jobs.correct(after)
    return _view(room.desk.change(before.id, corrections=after.corrections, upto=after.upto), shown)


def sheets(room: Room, _: Request) -> Response:
    """Show the form that makes a copying sheet."""
    return room.page("sheets.html", title="Copying sheets", passages=list_passages(), rulings=RULINGS)


def sheet_pdf(room: Room, request: Request) -> Response:
    """Return a copying sheet."""
    from handwriting.sheet.drawing import make_sheet
    from handwriting.sheet.passages import Passage, find_passage
    from handwriting.sheet.rulings import find_ruling
    from handwriting.task import read_text

    q = request.query_params
    own = q.get("text", "").strip()
    passage = Passage("own", q.get("title", "").strip() or "Copy this text", read_text(own + "\n")) if own else None
    pdf = make_sheet(
        passage or find_passage(q.get("passage", "fox")),
        find_ruling(q.get("rule", "8mm")),
        paper="letter" if q.get("paper") == "letter" else "a4",
        hand="left" if q.get("hand") == "left" else "right",
        placement="board" if q.get("place") == "board" else "above",
    )
    return attached(pdf, "application/pdf", "copying-sheet.pdf")


def about(room: Room, _: Request) -> Response:
    """Say what is stored where."""
    from handwriting.report.words import catalogue

    words = catalogue()
    return room.page(
        "about.html",
        title="What is stored",
        folder=str(room.desk.folder),
        inhand=len(room.desk.all()),
        store=str(room.records.path) if room.records.there else "",
        purpose=words.purpose,
        cautions=words.cautions,
    )


def close(room: Room, _: Request, __: FormData) -> Response:
    """Close the desk."""
    answer = room.page(
        "message.html", title="The desk is closed", sentence="Everything is saved. You can close this tab."
    )
    room.stop()
    return answer
