"""Who may speak with the workbench: only a browser on this computer that was given the token.

The guard stands outside the whole application, so that pages, static files, uploads, downloads and the
websocket all pass it. Each check has its own attack:

- *token*, then a cookie that scripts cannot read and other sites cannot send: another user or program here;
- *Host*: a foreign name that was made to point to this computer (DNS rebinding);
- *Origin* and *Sec-Fetch-Site*: a page of another site, or of another server on this computer, that calls us;
- *Content-Security-Policy* with a nonce in the page's own script tags: text from a file that got into a page
  as a script stays dead; and nothing is ever loaded from elsewhere.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from html import escape
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.types import ASGIApp, Message, Receive, Scope, Send

NONCE = "wrongbit_nonce"
"""Key of a request's nonce in its ASGI scope."""

FRAME = """\
<!doctype html><html lang="en"><head><meta charset="utf-8"><title>wrongbit</title>{head}
<style nonce="{nonce}">body {{ font: 17px/1.5 Verdana, "DejaVu Sans", sans-serif; color: #1d1f24;
background: #faf8f3; max-width: 38em; margin: 12vh auto; padding: 0 1em }}
code {{ font-family: "DejaVu Sans Mono", monospace }}</style></head>
<body><h1>{title}</h1><p>{text}</p></body></html>
"""


@dataclass(frozen=True)
class Access:
    """What a browser must show.

    Args:
        port: The port that is served.
        token: The secret in the printed address.
        hosts: Names of this computer that may stand in the address.
    """

    port: int
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24), repr=False)
    hosts: tuple[str, ...] = ("127.0.0.1", "localhost", "[::1]")

    @property
    def address(self) -> str:
        """The address to open, with the token."""
        return f"http://{self.hosts[0]}:{self.port}/?token={self.token}"

    @property
    def cookie(self) -> str:
        """The cookie's name: cookies do not know ports, so that two workbenches need two names."""
        return f"wrongbit-{self.port}"

    def is_ours(self, host: str) -> bool:
        """Whether a Host header names this server."""
        return host.lower() in {f"{name}:{self.port}" for name in self.hosts}

    def is_our_origin(self, origin: str) -> bool:
        """Whether an Origin header is that of one of our pages."""
        return origin.lower() in {f"http://{name}:{self.port}" for name in self.hosts}

    def holds_token(self, given: str) -> bool:
        """Whether this is the token, compared in constant time."""
        return secrets.compare_digest(given.encode(), self.token.encode())


class Guard:
    """ASGI middleware that lets through only what `Access` allows.

    Args:
        app: The application behind it.
        access: What is allowed.
    """

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self.app = app
        self.access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request or websocket."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        headers = _headers(scope)
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await _refuse(scope, receive, send, *refusal)
            return
        if scope["type"] == "http" and (given := _token(scope)) is not None:
            if self.access.holds_token(given):
                await self._welcome(scope, send)
            else:
                await _refuse(scope, receive, send, 403, "The token is not right", _NO_TOKEN)
            return
        if not self._has_cookie(headers):
            await _refuse(scope, receive, send, 403, "This address needs its token", _NO_TOKEN)
            return
        await self._pass(scope, receive, send)

    def _refusal(self, scope: Scope, headers: Mapping[str, str]) -> tuple[int, str, str] | None:
        if not self.access.is_ours(headers.get("host", "")):
            return 421, "This is not the workbench's name", _WRONG_HOST
        origin = headers.get("origin")
        if origin is not None and not self.access.is_our_origin(origin):
            return 403, "Another page may not call the workbench", _WRONG_ORIGIN
        if scope["type"] == "websocket" and origin is None:
            return 403, "Another program may not call the workbench", _WRONG_ORIGIN
        site = headers.get("sec-fetch-site", "none")
        if site not in ("none", "same-origin") and headers.get("sec-fetch-mode") != "navigate":
            return 403, "Another page may not call the workbench", _WRONG_ORIGIN
        return None

    def _has_cookie(self, headers: Mapping[str, str]) -> bool:
        try:
            jar = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return False
        held = jar.get(self.access.cookie)
        return held is not None and self.access.holds_token(held.value)

    async def _welcome(self, scope: Scope, send: Send) -> None:
        """Give the cookie, and go on to the page without the token in the address.

        A redirect would be part of a navigation that may have begun on another site, to which a strict cookie
        is not sent; a page of ours that goes on by itself begins a new one.
        """
        nonce = secrets.token_urlsafe(16)
        # A browser drops control characters, and what begins with two slashes is another site.
        path = "".join(each for each in scope["path"] if each.isprintable())
        where = escape("/" + path.lstrip("/\\"), quote=True)
        cookie = f"{self.access.cookie}={self.access.token}; HttpOnly; SameSite=Strict; Path=/"
        head = f'<meta http-equiv="refresh" content="0; url={where}">'
        text = f'Opening … <a href="{where}">Go on</a>'
        body = FRAME.format(head=head, nonce=nonce, title="wrongbit", text=text)
        await _answer(send, 200, body, nonce, extra=((b"set-cookie", cookie.encode()),))

    async def _pass(self, scope: Scope, receive: Receive, send: Send) -> None:
        nonce = secrets.token_urlsafe(16)
        scope[NONCE] = nonce
        # Nobody stands between: what a proxy would say of itself is somebody else's word.
        scope["headers"] = [each for each in scope["headers"] if not each[0].lower().startswith(_FORWARDED)]

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message["headers"], *security_headers(nonce)]}
            await send(message)

        await self.app(scope, receive, guarded)


def security_headers(nonce: str) -> list[tuple[bytes, bytes]]:
    """Headers of every response.

    The page library compiles its templates in the browser, which needs ``unsafe-eval``; inline script runs
    only with the nonce, so that an event attribute or a script tag in foreign text does nothing.
    """
    policy = "; ".join(
        (
            "default-src 'none'",
            f"script-src 'self' 'nonce-{nonce}' 'unsafe-eval'",
            "style-src 'self' 'unsafe-inline'",
            "img-src 'self' data: blob:",
            "font-src 'self'",
            "connect-src 'self'",
            "form-action 'self'",
            "base-uri 'none'",
            "frame-ancestors 'none'",
        )
    )
    return [
        (b"content-security-policy", policy.encode()),
        (b"x-content-type-options", b"nosniff"),
        (b"referrer-policy", b"no-referrer"),
        (b"x-frame-options", b"DENY"),
        (b"cross-origin-opener-policy", b"same-origin"),
        (b"cross-origin-resource-policy", b"same-origin"),
        (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
    ]


_NO_TOKEN = (
    "The workbench answers only a browser that has its token. Open the whole address that <code>wrongbit "
    "serve</code> printed in the terminal, with everything behind <code>?token=</code>; each start has "
    "a new one."
)
_WRONG_HOST = (
    "Open the address that <code>wrongbit serve</code> printed in the terminal. Other names that lead to "
    "this computer are refused, as another site could have made them."
)
_WRONG_ORIGIN = (
    "Open the address that <code>wrongbit serve</code> printed in the terminal, in a browser of its own."
)


_FORWARDED = (b"x-forwarded-", b"forwarded")


def _headers(scope: Scope) -> dict[str, str]:
    """Headers by lower-case name; one that is given twice with two values is worth nothing."""
    found: dict[str, str] = {}
    for name, value in scope["headers"]:
        key, text = name.decode("latin-1").lower(), value.decode("latin-1")
        if key == "cookie" and key in found:
            found[key] += "; " + text
        else:
            found[key] = text if found.get(key, text) == text else ""
    return found


def _token(scope: Scope) -> str | None:
    given = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token")
    return given[0] if given else None


async def _refuse(scope: Scope, receive: Receive, send: Send, status: int, title: str, text: str) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008, "reason": title})
        return
    nonce = secrets.token_urlsafe(16)
    await _answer(send, status, FRAME.format(head="", nonce=nonce, title=title, text=text), nonce)


def way_in(access: Access) -> str:
    """A page, to be kept where only its owner can read it, that leads into the workbench.

    A browser that is started with the token in its command line would show it to every user of the computer.
    """
    head = f'<meta http-equiv="refresh" content="0; url={access.address}">'
    text = f'Opening … <a href="{access.address}">Go on</a>'
    return FRAME.format(head=head, nonce="", title="wrongbit", text=text)


async def _answer(
    send: Send, status: int, body: str, nonce: str, extra: Iterable[tuple[bytes, bytes]] = ()
) -> None:
    content = body.encode()
    headers = [
        (b"content-type", b"text/html; charset=utf-8"),
        (b"content-length", str(len(content)).encode()),
        (b"cache-control", b"no-store"),
        *security_headers(nonce),
        *extra,
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": content})
