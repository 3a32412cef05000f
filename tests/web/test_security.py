"""Nobody but a browser with the token gets in: spoken to in plain HTTP, as an attacker would."""

from __future__ import annotations

import json
import socket
from pathlib import Path

import httpx
import pytest

from web.served import Served
from wrongbit.web.security import Access

pytestmark = pytest.mark.xdist_group("browser")

PATHS = (
    "/",
    "/journal",
    "/static/frame.js",
    "/look.css",
    "/_nicegui_ws/socket.io/?EIO=4&transport=polling",
    "/favicon.ico",
)


def cookie_of(served: Served) -> dict[str, str]:
    return {f"wrongbit-{served.port}": served.token}


@pytest.mark.parametrize("path", PATHS)
def test_nothing_is_served_without_the_token(served: Served, path: str) -> None:
    answer = httpx.get(served.base + path)
    assert answer.status_code == 403
    assert "needs its token" in answer.text
    assert served.token not in answer.text


@pytest.mark.parametrize("path", PATHS[:4])
def test_the_cookie_opens(served: Served, path: str) -> None:
    answer = httpx.get(served.base + path, cookies=cookie_of(served))
    assert answer.status_code == 200


def test_the_token_is_exchanged_for_a_cookie_of_this_site_only(served: Served) -> None:
    answer = httpx.get(served.address)
    assert answer.status_code == 200
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie and "Path=/" in cookie
    assert 'content="0; url=/"' in answer.text


@pytest.mark.parametrize(
    "path", ("//evil.example", "/%09/evil.example", "/%5Cevil.example", "/%0a%5C/evil.example")
)
def test_the_way_in_leads_to_no_other_site(served: Served, path: str) -> None:
    """Browsers drop tabs and line ends from an address (WHATWG URL, 4.4); a backslash is a slash to them."""
    answer = httpx.get(served.base + path, params={"token": served.token})
    assert answer.status_code == 200
    assert 'content="0; url=/evil.example"' in answer.text


@pytest.mark.parametrize("token", ("", "x", "é" * 32, "0" * 3000))
def test_a_wrong_token_gets_a_page_that_says_what_to_do(served: Served, token: str) -> None:
    answer = httpx.get(served.base + "/", params={"token": token})
    assert answer.status_code == 403
    assert "wrongbit serve" in answer.text
    assert "set-cookie" not in answer.headers


def test_a_wrong_cookie_does_not_open(served: Served) -> None:
    for value in ("", "x", served.token[:-1], served.token + "x"):
        answer = httpx.get(served.base + "/", cookies={f"wrongbit-{served.port}": value})
        assert answer.status_code == 403


@pytest.mark.parametrize("host", ("example.org", "evil.example:{port}", "127.0.0.1", "127.0.0.1.:{port}", ""))
def test_a_foreign_name_for_this_computer_is_refused(served: Served, host: str) -> None:
    """DNS rebinding: the name resolves to 127.0.0.1, and the browser says it in Host."""
    headers = {"Host": host.format(port=served.port)}
    answer = httpx.get(served.base + "/", headers=headers, cookies=cookie_of(served))
    assert answer.status_code == 421


@pytest.mark.parametrize("origin", ("https://evil.example", "null", "http://127.0.0.1:1", "http://localhost"))
def test_another_page_cannot_call(served: Served, origin: str) -> None:
    answer = httpx.post(served.base + "/", headers={"Origin": origin}, cookies=cookie_of(served))
    assert answer.status_code == 403


def test_another_server_on_this_computer_cannot_load_our_files(served: Served) -> None:
    """Cookies know no ports, so that a page of another local server would send ours along."""
    headers = {"Sec-Fetch-Site": "same-site", "Sec-Fetch-Mode": "no-cors"}
    answer = httpx.get(served.base + "/static/frame.js", headers=headers, cookies=cookie_of(served))
    assert answer.status_code == 403


def upgrade(served: Served, origin: str | None, cookie: bool = True) -> str:
    """The first line of the answer to a websocket handshake (RFC 6455, section 4.1)."""
    lines = [
        "GET /_nicegui_ws/socket.io/?EIO=4&transport=websocket HTTP/1.1",
        f"Host: 127.0.0.1:{served.port}",
        "Upgrade: websocket",
        "Connection: Upgrade",
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==",
        "Sec-WebSocket-Version: 13",
    ]
    if origin is not None:
        lines.append(f"Origin: {origin}")
    if cookie:
        lines.append(f"Cookie: wrongbit-{served.port}={served.token}")
    with socket.create_connection(("127.0.0.1", served.port), timeout=10) as connection:
        connection.sendall("\r\n".join([*lines, "", ""]).encode())
        return connection.recv(200).decode("latin-1").splitlines()[0]


def test_the_websocket_opens_to_our_own_page_only(served: Served) -> None:
    ours = f"http://127.0.0.1:{served.port}"
    assert " 101 " in upgrade(served, ours)
    assert " 403 " in upgrade(served, ours, cookie=False)
    assert " 403 " in upgrade(served, "https://evil.example")
    assert " 403 " in upgrade(served, f"http://localhost:{served.port + 1}")
    assert " 403 " in upgrade(served, None)


def raw(served: Served, path: str) -> tuple[int, bytes]:
    """A request whose path no client has tidied."""
    request = (
        f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n"
        f"Cookie: wrongbit-{served.port}={served.token}\r\nConnection: close\r\n\r\n"
    )
    with socket.create_connection(("127.0.0.1", served.port), timeout=10) as connection:
        connection.sendall(request.encode())
        answer = b""
        while chunk := connection.recv(65536):
            answer += chunk
    return int(answer.split(b" ", 2)[1]), answer


@pytest.mark.parametrize(
    "path",
    (
        "/static/../security.py",
        "/static/%2e%2e/security.py",
        "/static/..%2fsecurity.py",
        "/static/%2e%2e%2f%2e%2e%2f%2e%2e%2fetc/passwd",
        "/static//etc/passwd",
        "/static/....//security.py",
        "/_nicegui/../../../../etc/passwd",
    ),
)
def test_no_path_leads_out_of_the_served_files(served: Served, path: str) -> None:
    status, answer = raw(served, path)
    assert status in (400, 404)
    assert b"compare_digest" not in answer and b"root:" not in answer


def test_headers_that_keep_a_page_to_itself(served: Served) -> None:
    for path in ("/", "/static/frame.js", "/nothing-here"):
        headers = httpx.get(served.base + path, cookies=cookie_of(served)).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "script-src 'self' 'nonce-" in policy and "'unsafe-inline'" not in policy.split("style-src")[0]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"


def test_what_a_proxy_would_say_is_not_believed(served: Served) -> None:
    headers = {
        "X-Forwarded-Prefix": "/elsewhere",
        "X-Forwarded-Host": "evil.example",
        "Forwarded": "host=evil",
    }
    answer = httpx.get(served.base + "/", headers=headers, cookies=cookie_of(served))
    assert answer.status_code == 200
    assert "elsewhere" not in answer.text and "evil" not in answer.text


def test_each_page_has_a_nonce_of_its_own(served: Served) -> None:
    policies = {
        httpx.get(served.base + "/", cookies=cookie_of(served)).headers["content-security-policy"]
        for _ in range(3)
    }
    assert len(policies) == 3


def test_only_this_computer_can_connect(served: Served) -> None:
    """The listening socket is bound to the loopback address (proc(5), /proc/net/tcp)."""
    rows = Path("/proc/net/tcp").read_text().splitlines()[1:]
    local = [row.split()[1] for row in rows if row.split()[3] == "0A"]
    ours = [each for each in local if int(each.split(":")[1], 16) == served.port]
    assert ours == [f"0100007F:{served.port:04X}"]


def test_a_token_is_long_and_never_the_same() -> None:
    tokens = {Access(1).token for _ in range(100)}
    assert len(tokens) == 100
    assert min(map(len, tokens)) >= 32
    assert "token" not in json.dumps(repr(Access(1)))
