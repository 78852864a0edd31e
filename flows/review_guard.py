"""Who may talk to the review page: the browser of the person who started it, and nobody else.

Any web page, and any program of another user, can try to reach a port on loopback. So every request must name us as
host (a name of somebody else's that resolves to loopback does not), must bear the cookie that the address with the
token gave, and, where it would change something, must come from one of our own pages.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Iterable
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders, QueryParams
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HOST = "127.0.0.1"
_SAFE = ("GET", "HEAD")
# Our own files only; nothing of the archive's is ever run, and no other page may frame us.
OWN_PAGES = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; media-src 'self'; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
ARCHIVE_PAGES = (
    "default-src 'none'; img-src 'self' data:; media-src 'self' data:; style-src 'unsafe-inline'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
_ALWAYS = {
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
}


class Guard:
    """ASGI middleware. ``port`` is where we listen; ``token`` is what the printed address bears."""

    def __init__(self, app: ASGIApp, port: int, token: str) -> None:
        self._app, self._token = app, token
        self._hosts = {f"{HOST}:{port}", f"localhost:{port}"}
        self._cookie = f"feltpad-review-{port}"  # cookies do not tell ports apart
        self._secret = secrets.token_urlsafe(32)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        refusal = self._answer(scope)
        if refusal is None:
            await self._app(scope, receive, _with_headers(send))
        else:
            await refusal(scope, receive, _with_headers(send))

    def _answer(self, scope: Scope) -> Response | None:
        """What to say in place of the page; None lets the request through."""
        headers = Headers(scope=scope)
        if headers.get("host", "").lower() not in self._hosts:
            return _refused(421, "this is not the address feltpad review listens at")
        if not self._comes_from_us(scope["method"], headers):
            return _refused(403, "this request comes from another page")
        offered = QueryParams(scope["query_string"]).get("token")
        if offered is not None and scope["path"] == "/":
            return self._enter(offered)
        if not _is_one_of(self._secret, _cookies(headers, self._cookie)):
            return _refused(403, "open the address that `feltpad review` printed: it bears the token")
        return None

    def _enter(self, offered: str) -> Response:
        if not _is_one_of(self._token, [offered]):
            return _refused(403, "this token is not the one `feltpad review` printed; was it started again since?")
        entered = RedirectResponse("/", 303)
        entered.set_cookie(self._cookie, self._secret, httponly=True, samesite="strict", path="/")
        return entered

    def _comes_from_us(self, method: str, headers: Headers) -> bool:
        origin, site = headers.get("origin"), headers.get("sec-fetch-site")
        if site not in (None, "same-origin", "none"):
            return False
        if origin is not None:
            return urlsplit(origin).scheme == "http" and urlsplit(origin).netloc.lower() in self._hosts
        return method in _SAFE


def _cookies(headers: Headers, name: str) -> list[str]:
    return [value for line in headers.getlist("cookie") if (value := cookie_parser(line).get(name)) is not None]


def _is_one_of(secret: str, offered: Iterable[str]) -> bool:
    return any(hmac.compare_digest(secret.encode(), one.encode("utf-8", "replace")) for one in offered)


def _refused(status: int, why: str) -> Response:
    return PlainTextResponse(f"feltpad review: {why}\n", status)


def _with_headers(send: Send) -> Send:
    async def with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _ALWAYS.items():
                headers.setdefault(name, value)
            headers.setdefault("content-security-policy", OWN_PAGES)
        await send(message)

    return with_headers
