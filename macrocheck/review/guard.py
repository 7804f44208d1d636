"""Who may ask: this machine's own browser on the page it was sent to, and no one else.

The server listens on this machine only. Still any page in the same browser can send requests here, and another
name can be made to point here (DNS rebinding). So every request must name this server as its `Host`, carry the
cookie that only the printed address gives, and must not come from another site (`Origin`, `Sec-Fetch-Site`).
"""

import hmac
import secrets
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from macrocheck.review.refusal import STATUS, Code

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; font-src 'self'; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Content-Security-Policy: nothing runs that is not the page's own file, nothing is sent anywhere else."""

_HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), usb=()",
}
_ENTERED = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><title>Section review</title>'
    '<link rel="icon" href="data:,">'
    '<meta http-equiv="refresh" content="0; url=/"><p><a href="/">To the page</a></p></html>'
)
"""Sent for the printed address: a step that begins on this site, so that the cookie goes along with it."""


@dataclass(frozen=True, slots=True)
class Keys:
    """`entry`: in the printed address; `session`: in the cookie that it gives. 256 random bits each."""

    entry: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    session: str = field(default_factory=lambda: secrets.token_urlsafe(32))


class Guard:
    """The application with the door in front of it."""

    def __init__(self, app: ASGIApp, keys: Keys, port: int) -> None:
        """`port`: on which this server listens, part of every name it answers to."""
        self._app, self._keys = app, keys
        self._hosts = frozenset({f"127.0.0.1:{port}", f"localhost:{port}", f"[::1]:{port}"})
        self._origins = frozenset(f"http://{host}" for host in self._hosts)
        self._cookie = f"macrocheck-{port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer or turn away one request; anything but HTTP is turned away."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        answer = self._answer(scope)
        await (answer or self._app)(scope, receive, guarded)

    def _answer(self, scope: Scope) -> Response | None:
        """Return what is answered without asking the application; None where the request may pass."""
        headers = Headers(scope=scope)
        text = self._objection(scope, headers)
        if text is not None:
            return _turned_away(text)
        if scope["path"] == "/":
            key = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("key", [""])[0]
            if key:
                return self._entered(key)
        if not _same(self._session(headers), self._keys.session):
            return _turned_away("Open the address that macrocheck review printed; this one lacks its key.")
        return None

    def _objection(self, scope: Scope, headers: Headers) -> str | None:
        """Return why a request is not this page's own; None where it may be."""
        if headers.get("host", "").lower() not in self._hosts or len(headers.getlist("host")) != 1:
            return "The address names another machine; use the address that macrocheck review printed."
        origin = headers.get("origin")
        reads = scope["method"] in {"GET", "HEAD"}
        if origin is None and not reads:
            return "A change must come from the page itself."
        # The page itself may be opened from anywhere: its address holds the key, or the browser the cookie.
        opens = scope["path"] == "/" and reads
        from_elsewhere = not opens and headers.get("sec-fetch-site", "same-origin") != "same-origin"
        if from_elsewhere or (origin is not None and origin not in self._origins):
            return "Another site may not use this page."
        return None

    def _entered(self, key: str) -> Response:
        if not _same(key, self._keys.entry):
            return _turned_away(
                "This key is of another start; use the address that macrocheck review printed last."
            )
        response = HTMLResponse(_ENTERED)
        response.set_cookie(self._cookie, self._keys.session, httponly=True, samesite="strict", path="/")
        return response

    def _session(self, headers: Headers) -> str:
        try:
            morsel = SimpleCookie(headers.get("cookie", "")).get(self._cookie)
        except CookieError:
            return ""
        return "" if morsel is None else morsel.value


def _same(given: str, wanted: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "surrogateescape"), wanted.encode("utf-8"))


def _turned_away(text: str) -> JSONResponse:
    code: Code = "no_entry"
    return JSONResponse({"code": code, "text": text}, status_code=STATUS[code])
