"""A place on a page where files are dropped; each is written to the disk as it comes in.

The page library's own control reads a file through a form, by way of a passing file elsewhere; ours takes the
bytes as they are and writes them where they wait, in constant memory.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from nicegui import app as library
from nicegui.element import Element
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response

from wrongbit.case.durable import refusal
from wrongbit.case.names import last_part
from wrongbit.web.incoming import drop
from wrongbit.web.page_style import ASSETS

PIECE = 1 << 20
"""Bytes that are gathered before they are written."""

SPARE = 64 << 20
"""Bytes of the disk that must be left when a file is in."""


class FileDrop(Element, component=ASSETS / "file_drop.js"):
    """Takes files in.

    Args:
        place: Gives a new place for a file of this name.
        taken: Called with the place and the name of each file that is wholly there.
        failed: Called with a sentence where one could not be taken in.
    """

    def __init__(
        self,
        place: Callable[[str], Path],
        taken: Callable[[Path, str], object],
        failed: Callable[[str], object],
    ) -> None:
        super().__init__()
        self._place, self._taken = place, taken
        self._url = f"/incoming/{self.client.id}/{self.id}"
        self._props["url"] = self._url
        self.on("failed", lambda event: failed(_said(event)))
        library.add_api_route(self._url, self._receive, methods=["POST"], include_in_schema=False)

    async def _receive(self, request: Request) -> Response:
        name = last_part(request.query_params.get("name", "")) or "file"
        size = request.headers.get("content-length", "0")
        path = self._place(name)
        try:
            short = _too_large(path, int(size) if size.isascii() and size.isdigit() else 0)
            if short:
                drop(path)
                return PlainTextResponse(short, 507)
            await _write(request, path)
        except ClientDisconnect:
            drop(path)
            return Response(status_code=499)
        except OSError as error:
            drop(path)
            return PlainTextResponse(str(refusal(error, path)), 507)
        if self.is_deleted:
            drop(path)
        else:
            with self.parent_slot or self:
                self._taken(path, name)
        return Response(status_code=204)

    def _handle_delete(self) -> None:
        library.remove_route(self._url)
        super()._handle_delete()


async def _write(request: Request, path: Path) -> None:
    """The body into a file, piece by piece."""
    with path.open("xb") as file:
        held = bytearray()
        async for chunk in request.stream():
            held += chunk
            if len(held) >= PIECE:
                await run_in_threadpool(file.write, bytes(held))
                held.clear()
        await run_in_threadpool(file.write, bytes(held))


def _too_large(path: Path, size: int) -> str:
    """Why a file of this size cannot be taken in; it is kept twice for a moment."""
    room = 1 << 62
    with suppress(OSError):
        room = shutil.disk_usage(path.parent).free
    if 2 * size + SPARE <= room:
        return ""
    return (
        f"The file has {size >> 20} MiB, and the disk has room for {max(room - SPARE, 0) >> 21} MiB. "
        "Make room, or add it with 'wrongbit add', which needs it only once."
    )


def _said(event: Any) -> str:
    name, why = str(event.args.get("name", "")), str(event.args.get("why", ""))
    return f"{name}: {why or 'the file did not come in whole; bring it in again.'}"
