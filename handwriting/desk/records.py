"""Records that were kept: find, compare, export, erase."""

from __future__ import annotations

from starlette.routing import Route

from handwriting.desk.server import Room


def routes(room: Room) -> list[Route]:
    """Return the routes of this part."""
    del room
    return []
