"""Records that were kept: find, read, compare, export, erase. Every line of it is the store's own work."""

from __future__ import annotations

import datetime as dt
import io
import tempfile
import zipfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

import handwriting
from handwriting.desk import forms
from handwriting.desk.pages import attached, decoded, found, record_of, report_page, words_of
from handwriting.desk.server import Room, change, see, show
from handwriting.desk.view import said
from handwriting.errors import UsageError
from handwriting.history import History, history
from handwriting.record import Record
from handwriting.store import SampleRow, Store, default_path, open_store
from handwriting.typed import read_code, read_date

T = TypeVar("T")
SOFTWARE = f"handwriting {handwriting.__version__}"


class Records:
    """The store, opened when it is first needed and used by one thread, as its connection asks."""

    def __init__(self, path: Path | None = None, passphrase: Callable[[], str] | None = None) -> None:
        self.path = path or default_path()
        self._passphrase = passphrase
        self._thread = ThreadPoolExecutor(1, "store")
        self._store: Store | None = None

    @property
    def there(self) -> bool:
        """Whether anything was kept yet."""
        return self._store is not None or self.path.exists()

    def do(self, act: Callable[[Store], T]) -> T:
        """Do something with the store; fails as the store does."""
        return self._thread.submit(self._do, act).result()

    def _do(self, act: Callable[[Store], T]) -> T:
        if self._store is None:
            self._store = open_store(self.path, passphrase=self._passphrase, create=True)
        return act(self._store)

    def close(self) -> None:
        """Close the store."""
        if self._store is not None:
            self._thread.submit(self._store.close).result()
        self._thread.shutdown()


def routes(room: Room) -> list[Route]:
    """Return the routes of this part."""
    return [
        change("/work/{id}/keep", room, keep),
        show("/records", room, listed),
        show("/records/pupil/{code}", room, pupil),
        change("/records/pupil/{code}/export", room, export),
        change("/records/pupil/{code}/retain", room, retain),
        change("/records/pupil/{code}/erase", room, erase),
        show("/records/{number:int}", room, sample),
        show("/records/{number:int}/report", room, report),
        show("/records/{number:int}/report.pdf", room, report_pdf),
        show("/records/pupil/{code}/compare", room, compared),
        show("/records/pupil/{code}/compare/{name}", room, comparison_file),
        change("/records/{number:int}/erase", room, erase_one),
    ]


def keep(room: Room, request: Request, form: FormData) -> Response:
    """Keep a page in hand as a record, or its corrections as a new revision of the record it already is."""
    state = found(room, request)
    if room.jobs.status(state)["stage"] != "measured":
        raise UsageError("the page is not measured yet", fix="Wait until its numbers are shown.")
    by = str(form.get("by") or "").strip()
    given = {n: str(form.get(n) or "").strip() for n in ("code", "date")}
    for name, value in given.items():
        if not value:
            raise UsageError("a record needs it", where=f"--{name}", fix="Fill it in.")
    if any(state.asked.get(n, "") != v for n, v in given.items()):
        state = room.desk.change(state.id, asked={**state.asked, **given})
        forms.check(state.asked)
        room.jobs.correct(state)
    room.desk.remember(room.desk.defaults(), by=by)
    now = record_of(room, state)
    if state.kept:
        number = int(state.kept)
        room.records.do(lambda store: store.correct(number, now, by=by))
    else:
        picture = decoded(room.jobs.lossless(state))
        number = room.records.do(lambda store: store.keep(now, picture, by=by))
    room.desk.change(state.id, kept=str(number), kept_at=state.upto)
    return see(request, f"/records/{number}", number=number)


def _rows(room: Room) -> list[SampleRow]:
    return list(room.records.do(lambda store: store.rows())) if room.records.there else []


def _holds(row: SampleRow, q: dict[str, str]) -> bool:
    return (
        (not q["code"] or row.code.casefold().startswith(q["code"].casefold()))
        and all(not q[n] or getattr(row, n) == q[n] for n in ("setting", "task", "term", "instruction"))
        and (not q["since"] or row.date.isoformat() >= q["since"])
        and (not q["until"] or row.date.isoformat() <= q["until"])
        and (not q["due"] or row.keep_until <= _today())
    )


def _today() -> dt.date:
    return dt.datetime.now().astimezone().date()


def listed(room: Room, request: Request) -> Response:
    """List what is kept, filtered by what was asked for."""
    rows = _rows(room)
    names = ("code", "setting", "task", "term", "instruction", "since", "until", "due")
    q = {name: request.query_params.get(name, "").strip() for name in names}
    return room.page(
        "records.html",
        title="Records",
        rows=[r for r in rows if _holds(r, q)],
        total=len(rows),
        q=q,
        choices={n: sorted({getattr(r, n) for r in rows} - {""}) for n in ("setting", "task", "term", "instruction")},
        due=sum(r.keep_until <= _today() for r in rows),
    )


def _code(request: Request) -> str:
    try:
        return read_code(request.path_params["code"])
    except UsageError:
        raise HTTPException(404) from None


def pupil(room: Room, request: Request) -> Response:
    """Show what is kept of one pupil."""
    code = _code(request)
    rows = [r for r in _rows(room) if r.code == code]
    if not rows:
        raise HTTPException(404)
    return room.page("pupil.html", title=code, code=code, rows=rows, until=min(r.keep_until for r in rows))


def _row(room: Room, request: Request) -> SampleRow:
    number = request.path_params["number"]
    for row in _rows(room):
        if row.number == number:
            return row
    raise HTTPException(404)


def sample(room: Room, request: Request) -> Response:
    """Show one kept record: what it is, and what people changed on it."""
    row = _row(room, request)
    revisions, corrections = room.records.do(lambda s: (s.revisions(row.number), s.corrections(row.number)))
    return room.page(
        "sample.html",
        title=f"{row.code}, {row.date}",
        row=row,
        revisions=[(at, by) for at, by, _ in revisions],
        corrections=[(c.at, c.by, said(c.what, signed=False)) for c in corrections],
    )


def report(room: Room, request: Request) -> Response:
    """Show a kept record's report."""
    from handwriting.report.html import render_html

    return report_page(render_html(*_held(room, _row(room, request)), words=words_of(request)))


def _held(room: Room, row: SampleRow) -> tuple[Record, NDArray[np.uint8]]:
    """Return a kept record and its picture, plain paper where none was kept."""
    record, picture = room.records.do(lambda s: (s.record(row.number), s.picture(row.number)))
    if picture is None:
        picture = np.full((record.page.frame_height_px, record.page.frame_width_px), 255, np.uint8)
    return record, picture


def report_pdf(room: Room, request: Request) -> Response:
    """Return a kept record's report as PDF."""
    from handwriting.report.pdf import page_pdf

    row = _row(room, request)
    content = page_pdf(*_held(room, row), words=words_of(request))
    return attached(content, "application/pdf", f"{row.code}-{row.date}.pdf")


def _history(room: Room, request: Request) -> History:
    """Return a pupil's history between the days asked for."""
    code = _code(request)
    if code not in {r.code for r in _rows(room)}:
        raise HTTPException(404)
    days = {}
    for name in ("before", "after"):
        given = request.query_params.get(name, "").strip()
        days[name] = read_date(given) if given else None
    samples, repeats, again = room.records.do(lambda s: (s.samples(code), s.repeats(), s.scanned_again()))
    return history(samples, repeats, again, before=days["before"], after=days["after"])


def compared(room: Room, request: Request) -> Response:
    """Show a pupil's comparison: change against measurement error."""
    from handwriting.report.compare import render_comparison
    from handwriting.report.compared import view

    words = words_of(request)
    return report_page(render_comparison(view(_history(room, request), words, software=SOFTWARE), words))


def comparison_file(room: Room, request: Request) -> Response:
    """Return a pupil's comparison as a file."""
    from handwriting.report.compare import comparison_csv
    from handwriting.report.compared import view
    from handwriting.report.pdf import comparison_pdf

    name, told, words = request.path_params["name"], _history(room, request), words_of(request)
    if name == "compare.pdf":
        return attached(comparison_pdf(view(told, words, software=SOFTWARE), words), "application/pdf", name)
    if name == "compare.csv":
        return attached(comparison_csv(told, words).encode("utf-8-sig"), "text/csv", name)
    raise HTTPException(404)


def export(room: Room, request: Request, form: FormData) -> Response:
    """Hand out all that is held of a pupil as one archive."""
    code, by = _code(request), str(form.get("by") or "").strip()
    with tempfile.TemporaryDirectory() as place:
        written = room.records.do(lambda s: s.export(code, Path(place), by=by))
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            for path in written.values():
                archive.write(path, path.relative_to(place))
    return attached(out.getvalue(), "application/zip", f"{code}.zip")


def retain(room: Room, request: Request, form: FormData) -> Response:
    """Set the day on which to look again at what is kept of a pupil."""
    code = _code(request)
    given = str(form.get("until") or "")
    # The day lies ahead, so the check of a writing date is told of a day far off.
    until = read_date(given, today=dt.date(2200, 1, 1))
    room.records.do(lambda s: s.retain(code, until))
    return see(request, f"/records/pupil/{code}")


def erase(room: Room, request: Request, form: FormData) -> Response:
    """Erase a pupil wholly, pages in hand included, and say what went."""
    code = _code(request)
    if str(form.get("sure") or "").strip() != code:
        raise UsageError("nothing was erased: the code typed is not this pupil's", fix=f"Type {code} to erase.")
    gone = room.records.do(lambda s: s.erase(code))
    inhand = [s for s in room.desk.all() if s.asked.get("code") == code]
    for state in inhand:
        room.jobs.put_away(state.id)
    sentence = (
        f"Of {code} there went: samples {gone.samples}, revisions {gone.revisions}, pictures {gone.pictures}, "
        f"corrections {gone.corrections}, pages in hand {len(inhand)}. "
        "Backups and exports made before are yours to delete."
    )
    return room.page("message.html", title="Erased", sentence=sentence)


def erase_one(room: Room, request: Request, _: FormData) -> Response:
    """Erase one sample."""
    row = _row(room, request)
    room.records.do(lambda s: s.erase(row.code, number=row.number))
    for state in room.desk.all():
        if state.kept == str(row.number):
            room.desk.change(state.id, kept="", kept_at=0)
    return see(request, "/records")
