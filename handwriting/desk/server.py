"""The desk's server: routes, forms and templates. Nothing is measured or decided here.

Every handler runs in a thread of its own. Every change comes by POST through `change`, which has read the form within
limits and compared its token before the handler sees it; GET changes nothing.
"""

from __future__ import annotations

import hashlib
import mimetypes
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, FunctionLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from handwriting.desk.jobs import Jobs
from handwriting.desk.safety import App, Doors, Guard, Refused, same
from handwriting.desk.work import Desk
from handwriting.errors import HandwritingError

if TYPE_CHECKING:
    from handwriting.desk.records import Records

_MOST_FILES = 40
_MOST_FIELDS = 100
_FIELD_BYTES = 200_000


@dataclass(slots=True, eq=False)
class Room:
    """What the handlers share; `stop` ends the server, `watched` is the scanner's folder or empty."""

    desk: Desk
    jobs: Jobs
    doors: Doors
    stop: Callable[[], None]
    records: Records
    watched: str = ""

    def page(self, name: str, *, status: int = 200, **values: Any) -> Response:  # noqa: ANN401 - a template's values
        """Return a page drawn from a template."""
        shown = _templates().get_template(name).render(token=self.doors.change_token, **values)
        return HTMLResponse(shown, status_code=status)


Handler = Callable[[Room, Request], Response]
Change = Callable[[Room, Request, FormData], Response]


@cache
def _templates() -> Environment:
    def load(name: str) -> str:
        return resources.files("handwriting.desk").joinpath("templates", name).read_text("utf-8")

    return Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, loader=FunctionLoader(load)
    )


@cache
def _assets() -> dict[str, tuple[bytes, str]]:
    """Return every static file by its name: what is not in this table cannot be asked for."""
    found = {}
    for item in resources.files("handwriting.desk").joinpath("static").iterdir():
        kind = mimetypes.guess_type(item.name)[0] or "application/octet-stream"
        found[item.name] = (item.read_bytes(), "text/javascript" if item.name.endswith(".js") else kind)
    return found


def _static(_: Room, request: Request) -> Response:
    held = _assets().get(request.path_params["name"])
    if held is None:
        raise HTTPException(404)
    content, kind = held
    tag = f'"{hashlib.sha256(content).hexdigest()[:16]}"'
    headers = {"cache-control": "no-cache", "etag": tag}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(content, media_type=kind, headers=headers)


def show(path: str, room: Room, handler: Handler) -> Route:
    """Return the route of a page that changes nothing."""

    async def endpoint(request: Request) -> Response:
        return await run_in_threadpool(handler, room, request)

    return Route(path, endpoint, methods=["GET"])


def change(path: str, room: Room, handler: Change) -> Route:
    """Return the route of a change: its form is read within limits and its token compared first."""

    async def endpoint(request: Request) -> Response:
        async with request.form(max_files=_MOST_FILES, max_fields=_MOST_FIELDS, max_part_size=_FIELD_BYTES) as form:
            given = request.headers.get("x-desk-token") or form.get("token")
            if not isinstance(given, str) or not same(given, room.doors.change_token):
                raise Refused(
                    403, "This page is from another start of the desk. Load it again, then repeat the change."
                )
            return await run_in_threadpool(handler, room, request, form)

    return Route(path, endpoint, methods=["POST"])


def wants_json(request: Request) -> bool:
    """Tell whether a script asked."""
    return "application/json" in request.headers.get("accept", "")


def see(request: Request, where: str, **values: Any) -> Response:  # noqa: ANN401 - JSON
    """Send the person to a page; a script gets the address and what else it wants to know."""
    if wants_json(request):
        return JSONResponse({"where": where, **values})
    return RedirectResponse(where, status_code=303)


def _answer(room: Room, request: Request, status: int, sentence: str, field: str = "") -> Response:
    if wants_json(request):
        return JSONResponse({"sentence": sentence, "field": field}, status_code=status)
    return room.page("message.html", status=status, title="Not done", sentence=sentence)


_SENTENCES = {
    400: "The request is not well formed. Load the page again.",
    404: "There is no such page. It may have been put away.",
    405: "This way of asking is not used here.",
}


def application(room: Room) -> App:
    """Return the whole ASGI application, guard and all."""
    from handwriting.desk import pages, reading, records
    from handwriting.desk.forms import said

    def refusal(request: Request, error: Exception) -> Response:
        if isinstance(error, Refused):
            return _answer(room, request, error.status, error.sentence)
        if isinstance(error, HTTPException):
            sentence = _SENTENCES.get(error.status_code, "This could not be done. Load the page again.")
            return _answer(room, request, error.status_code, sentence)
        if isinstance(error, HandwritingError):
            field, sentence = said(error)
            return _answer(room, request, 422, sentence, field)
        return _answer(room, request, 500, "Something went wrong in the desk itself. Nothing that was saved is lost.")

    routes = [show("/static/{name}", room, _static), *pages.routes(room), *records.routes(room), *reading.routes(room)]
    handlers = dict.fromkeys((Refused, HTTPException, HandwritingError, Exception), refusal)
    return Guard(Starlette(routes=routes, exception_handlers=handlers), room.doors)
