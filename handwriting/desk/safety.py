"""What stands between the desk and everybody who is not the person at this computer.

Every request passes `Guard` before any route sees it: exact Host, no odd paths, the cookie that only the opening link
hands out, the right Origin on every change, a limit on bytes and on time, and the same headers on every answer, error
answers included. Decisions rest on the raw request (RFC 9112), never on a forwarded header or a rebuilt URL.

Sources of the rules: OWASP ASVS 5.0 chapters 3, 5 and 14; RFC 6265bis (cookies ignore ports, SameSite); CSP Level 3.
Two rules of ASVS do not fit plain http on the loopback: HSTS and the Secure attribute. ``Referrer-Policy`` is
``same-origin`` because with ``no-referrer`` browsers send ``Origin: null`` with the desk's own forms.
"""

from __future__ import annotations

import asyncio
import hmac
import logging
import re
import secrets
import time
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qs

from markupsafe import escape

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

log = logging.getLogger("handwriting.desk")

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; object-src 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    b"x-content-type-options": b"nosniff",
    b"x-frame-options": b"DENY",
    b"referrer-policy": b"same-origin",
    b"cache-control": b"no-store",
    b"cross-origin-opener-policy": b"same-origin",
    b"cross-origin-resource-policy": b"same-origin",
    b"permissions-policy": b"camera=(), microphone=(), geolocation=()",
}
UPLOAD_BYTES = 250_000_000
FORM_BYTES = 1_000_000
_BODY_SECONDS = 120.0
_WORKING_DAY_S = 12 * 3600
_METHODS = {"GET", "HEAD", "POST"}
# Percent signs are decoded once before the path gets here: one that is left was encoded twice.
_ODD_PATH = re.compile(r"\\|%|//|[\x00-\x1f\x7f]|(^|/)\.{1,2}(/|$)")


@dataclass(slots=True)
class Doors:
    """The secrets of one start of the desk.

    Parameters
    ----------
    port : int
        Where it listens; part of the cookie's name, because cookies do not know ports.
    token : str
        Goes into the opening link; worth one use.
    """

    port: int
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    _cookie: str = field(default_factory=lambda: secrets.token_urlsafe(32), init=False)
    _used: bool = field(default=False, init=False)

    @property
    def hosts(self) -> frozenset[bytes]:
        """The only values of Host that are answered."""
        return frozenset(f"{name}:{self.port}".encode() for name in ("127.0.0.1", "localhost", "[::1]"))

    @property
    def cookie_name(self) -> str:
        """Name of the cookie of this start."""
        return f"handwriting_desk_{self.port}"

    @property
    def change_token(self) -> str:
        """What every form and every script request carries beside the cookie."""
        return hmac.new(self._cookie.encode(), b"change", "sha256").hexdigest()

    @property
    def link(self) -> str:
        """The opening link."""
        return f"http://127.0.0.1:{self.port}/open?token={self.token}"

    def use(self, token: str) -> str | None:
        """Return the cookie for the right token the first time, None otherwise."""
        if self._used or not same(token, self.token):
            return None
        self._used = True
        return self._cookie

    def known(self, cookies: Iterable[bytes]) -> bool:
        """Tell whether one of the Cookie headers carries this start's cookie."""
        wanted = self.cookie_name
        for header in cookies:
            for pair in header.decode("latin-1").split(";"):
                name, _, value = pair.strip().partition("=")
                if name == wanted and same(value, self._cookie):
                    return True
        return False


def same(one: str, other: str) -> bool:
    """Compare two secrets without telling by the time how far they agree."""
    return hmac.compare_digest(one.encode("utf-8", "replace"), other.encode("utf-8", "replace"))


class Refused(Exception):  # noqa: N818 - an answer, not an error of the program
    """A request that is answered with one sentence and a status instead of what it asked for."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status, self.sentence = status, sentence


class Guard:
    """ASGI middleware around the whole application."""

    def __init__(self, app: App, doors: Doors, *, body_seconds: float = _BODY_SECONDS) -> None:
        self._app, self._doors, self._seconds = app, doors, body_seconds

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, refuse or pass on one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        began, answer = time.perf_counter(), _Answer(send)
        try:
            opened = self._check(scope)
            if opened is not None:
                await _plain(answer, 303, "", ((b"location", b"/"), (b"set-cookie", opened)))
            else:
                await self._app(scope, self._counted(scope, receive), answer)
        except Refused as refused:
            if not answer.status:
                await _plain(answer, refused.status, refused.sentence)
        finally:
            # Of the path only the pattern that was matched: anything else may hold a name.
            route = getattr(scope.get("route"), "path", "-")
            log.info("%s %s %s %.0f ms", scope["method"], route, answer.status, 1000 * (time.perf_counter() - began))

    def _check(self, scope: Scope) -> bytes | None:
        """Refuse what may not pass; return the cookie to set when this is the opening link."""
        headers: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.lower(), []).append(value)
        hosts = headers.get(b"host", [])
        if len(hosts) != 1 or hosts[0] not in self._doors.hosts:
            raise Refused(400, "This address is not the desk's.")
        method, path = scope["method"], scope["path"]
        if method not in _METHODS:
            raise Refused(405, "This way of asking is not used here.")
        if _ODD_PATH.search(path) or b"%00" in scope.get("raw_path", b"") or not path.startswith("/"):
            raise Refused(400, "There is no such page.")
        if path == "/open":
            return self._open(scope, method)
        if not path.startswith("/static/") and not self._doors.known(headers.get(b"cookie", [])):
            raise Refused(
                403, "This page belongs to the person who started the desk. Start it again and use the link it opens."
            )
        if method == "POST":
            _check_origin(headers, hosts[0])
            self._check_length(headers, path)
        return None

    def _open(self, scope: Scope, method: str) -> bytes:
        given = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [])
        cookie = self._doors.use(given[0]) if method == "GET" and len(given) == 1 else None
        if cookie is None:
            raise Refused(403, "This link was used already or is not the desk's. Start the desk again for a new one.")
        life = f"Max-Age={_WORKING_DAY_S}; Path=/; HttpOnly; SameSite=Strict"
        return f"{self._doors.cookie_name}={cookie}; {life}".encode()

    @staticmethod
    def _check_length(headers: dict[bytes, list[bytes]], path: str) -> None:
        lengths = headers.get(b"content-length", [b"0"])
        if len(lengths) != 1 or not lengths[0].isdigit():
            raise Refused(400, "The request is not well formed.")
        if int(lengths[0]) > limit(path):
            raise _too_long(path)

    def _counted(self, scope: Scope, receive: Receive) -> Receive:
        """Wrap `receive` so that a body without a stated length cannot be endless, nor one with it take for ever."""
        path, taken, ends = scope["path"], 0, time.monotonic() + self._seconds
        complete = scope["method"] != "POST"

        async def counted() -> Message:
            nonlocal taken, complete
            if complete:
                return await receive()
            try:
                message = await asyncio.wait_for(receive(), max(0.0, ends - time.monotonic()))
            except TimeoutError as error:
                raise Refused(408, "Sending took too long. Try again.") from error
            taken += len(message.get("body", b""))
            complete = not message.get("more_body", False)
            if taken > limit(path):
                raise _too_long(path)
            return message

        return counted


def limit(path: str) -> int:
    """Return how many bytes may be sent to a path."""
    return UPLOAD_BYTES if path == "/work" else FORM_BYTES


def _too_long(path: str) -> Refused:
    return Refused(
        413, f"That is more than the {limit(path) / 1e6:g} MB taken at once. Send fewer files, or scan at 300 dpi."
    )


def _check_origin(headers: dict[bytes, list[bytes]], host: bytes) -> None:
    origins, sites = headers.get(b"origin", []), headers.get(b"sec-fetch-site", [])
    if any(site != b"same-origin" for site in sites):
        raise Refused(403, "This change was asked for by another page.")
    if origins != [b"http://" + host] and not (not origins and sites):
        raise Refused(403, "This change was asked for by another page.")


class _Answer:
    """Sends the answer with the headers every answer has."""

    def __init__(self, send: Send) -> None:
        self._send, self.status = send, 0

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            own = {name.lower() for name, _ in message.get("headers", [])}
            more = {**_HEADERS, b"content-security-policy": POLICY.encode()}
            kept = [(n, v) for n, v in message.get("headers", []) if not n.lower().startswith(b"access-control-")]
            message = {**message, "headers": kept + [(n, v) for n, v in more.items() if n not in own]}
        await self._send(message)


async def _plain(send: Send, status: int, sentence: str, headers: tuple[tuple[bytes, bytes], ...] = ()) -> None:
    page = (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>Handwriting desk</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<link rel="stylesheet" href="/static/desk.css"></head>'
        f'<body><main class="alone"><h1>Handwriting desk</h1><p>{escape(sentence)}</p></main></body></html>'
    )
    body = page.encode() if sentence else b""
    length = (b"content-length", str(len(body)).encode())
    kind = (b"content-type", b"text/html; charset=utf-8")
    await send({"type": "http.response.start", "status": status, "headers": [kind, length, *headers]})
    await send({"type": "http.response.body", "body": body})
