"""The server: this computer only, one case, until it is stopped."""

from __future__ import annotations

import errno
import os
import socket
import sys
import tempfile
import threading
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any

import jinja2
import uvicorn
from fastapi import FastAPI
from nicegui import app as library
from nicegui import client, core, ui
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from wrongbit.errors import UsageError, WrongbitError
from wrongbit.web.frame import STATIC, draw_page, style_sheet
from wrongbit.web.pages import PAGES, Page
from wrongbit.web.security import FRAME, NONCE, Access, Guard, way_in
from wrongbit.web.workbench import Workbench, opened

HOST = "127.0.0.1"

WATCH_SECONDS = 2.0
"""How often we look whether another program has added to the case."""


def serve(
    folder: Path,
    *,
    port: int = 0,
    open_browser: bool = True,
    ready: Callable[[str], object] = lambda address: None,
) -> bool:
    """Serve a case until interrupted (Ctrl-C, SIGTERM).

    Args:
        folder: The case folder.
        port: Port on this computer; 0: any that is free.
        open_browser: Open the address in the browser.
        ready: Called with the address when the server answers.

    Returns:
        Whether all work had ended: if not, the process has a thread that goes on.

    Raises:
        UsageError: The port is in use.
        WrongbitError: The folder is no case.
    """
    # Long work shares the interpreter with the pages: they are to answer at once meanwhile.
    sys.setswitchinterval(0.001)
    with opened(folder) as bench, listening(port) as listener, ExitStack() as later:
        access = Access(listener.getsockname()[1])

        def answering() -> None:
            ready(access.address)
            if open_browser:
                where = later.enter_context(_way_in(bench, access))
                threading.Thread(target=webbrowser.open, args=(where,), daemon=True).start()

        run(application(bench), access, listener, answering)
    return not bench.working


@contextmanager
def _way_in(bench: Workbench, access: Access) -> Iterator[str]:
    """The address of a file, readable by this user only and gone at the end, that leads a browser in.

    It lies in the case, where a browser that is shut into a person's own folders can read it, too.
    """
    place: Path | None = None
    with suppress(WrongbitError):  # a case that may only be read
        place = bench.case.derived("way-in/here").parent
    try:
        handle, name = tempfile.mkstemp(dir=place, prefix="open-", suffix=".html")
    except OSError:
        handle, name = tempfile.mkstemp(prefix="wrongbit-open-", suffix=".html")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(way_in(access))
        yield Path(name).resolve().as_uri()
    finally:
        with suppress(OSError):
            Path(name).unlink()


def listening(port: int) -> socket.socket:
    """A socket that listens on this computer's own address only.

    Raises:
        UsageError: The port is in use, or may not be used.
    """
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((HOST, port))
        listener.listen(128)
    except (OSError, OverflowError) as error:
        listener.close()
        used = isinstance(error, OSError) and error.errno == errno.EADDRINUSE
        why = "is in use" if used else f"cannot be used: {error}"
        raise UsageError(
            f"Port {port} {why}.",
            "Leave --port out to take any free one; a workbench that is still open has its own address.",
        ) from None
    return listener


def application(bench: Workbench) -> FastAPI:
    """The pages of one case as an ASGI application, without the guard."""
    parent = FastAPI(openapi_url=None, docs_url=None, redoc_url=None)
    for page in PAGES:
        _route(bench, page)
    library.add_static_files("/static", STATIC)

    @parent.get("/look.css")
    def look() -> Response:
        return Response(style_sheet(), media_type="text/css")

    library.add_exception_handler(404, _no_such_page)
    library.timer(WATCH_SECONDS, bench.look)
    _nonce_in_templates()
    ui.run_with(
        parent,
        title="wrongbit",
        favicon=STATIC / "mark.svg",
        language="en-GB",
        tailwind=False,
        gzip_middleware_factory=None,
        show_welcome_message=False,
        reconnect_timeout=10.0,
    )
    return parent


async def _no_such_page(request: Request, error: Exception) -> Response:
    """What an address gets that is no page's; nothing that it says is repeated."""
    text = 'There is no such page. <a href="/">The overview</a> leads to all that there are.'
    return HTMLResponse(FRAME.format(head="", nonce=request.scope[NONCE], title="No page", text=text), 404)


def _route(bench: Workbench, page: Page) -> None:
    @ui.page(page.path)
    def shown() -> None:
        ui.add_head_html('<link rel="stylesheet" href="/look.css">')
        ui.add_head_html('<script src="/static/frame.js"></script>')
        draw_page(bench, page)


def _nonce_in_templates() -> None:
    """Give the page library's own script tags the nonce of the request.

    It is put into the template's source, before anything is filled in: a script tag that comes with
    somebody's text has none.
    """
    environment = client.templates.env
    loader = environment.loader
    assert loader is not None
    if isinstance(loader, _NonceLoader):
        return
    environment.loader = _NonceLoader(loader)
    if environment.cache is not None:
        environment.cache.clear()


class _NonceLoader(jinja2.BaseLoader):
    """Another loader's templates, whose script tags have the nonce."""

    def __init__(self, inner: jinja2.BaseLoader) -> None:
        self.inner = inner

    def get_source(
        self, environment: jinja2.Environment, template: str
    ) -> tuple[str, str | None, Callable[[], bool] | None]:
        """The template's source, as the other loader has it, with nonces."""
        source, name, fresh = self.inner.get_source(environment, template)
        nonce = "{{ request.scope['" + NONCE + "'] }}"
        return source.replace("<script", f'<script nonce="{nonce}"'), name, fresh


class _Server(uvicorn.Server):
    """A server that says when it answers."""

    def __init__(self, config: uvicorn.Config, answering: Callable[[], object]) -> None:
        super().__init__(config)
        self._answering = answering

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start, then say so."""
        await super().startup(sockets=sockets)
        if self.started:
            self._answering()


def run(app: FastAPI, access: Access, listener: socket.socket, answering: Callable[[], Any]) -> None:
    """Answer until interrupted."""
    config = uvicorn.Config(
        Guard(app, access),
        log_level="error",
        access_log=False,
        lifespan="on",
        ws="wsproto",
        server_header=False,
        date_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=1,
    )
    server = _Server(config, answering)
    assert core.app is library
    try:
        server.run(sockets=[listener])
    except KeyboardInterrupt:
        return
