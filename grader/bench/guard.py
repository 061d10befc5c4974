"""In front of everything: who asks, from where, by what name; strict headers on every answer."""

from __future__ import annotations

import asyncio
import secrets
import traceback
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from pathlib import Path

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from grader.bench.limits import Limits
from grader.bench.log import ENTER, Log, what, who
from grader.bench.refused import FOREIGN, NO_TOKEN, SLIP, SLOW, Refused, answer, refused

OWN_HEADER, OWN_VALUE = "x-grader", "bench"
"""Cannot be sent from another site without asking this server first, and it never says yes."""
TOKEN_BYTES = 16
"""128 random bits: not to be guessed in the life of the session (OWASP asks for 64 at least; from memory)."""
SAFE_METHODS = ("GET", "HEAD")
STRICT_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
        "form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), microphone=(), payment=(), usb=()",
    "Cache-Control": "no-store",
}
"""Meanings: W3C Content Security Policy Level 3, WHATWG Fetch; from memory."""


@dataclass(frozen=True, slots=True)
class Door:
    """Who may come in."""

    hosts: frozenset[str]
    """Names with port under which the server may be asked for: another name that points here is a trick."""
    cookie: str
    """Name of the cookie; with the port in it, since cookies do not tell ports apart."""
    token: str = field(default_factory=lambda: secrets.token_urlsafe(TOKEN_BYTES), repr=False)

    def is_token(self, given: str) -> bool:
        """Return whether this is the token; takes the same time for any other one."""
        return secrets.compare_digest(given.encode("utf-8", "replace"), self.token.encode("ascii"))


class Guard:
    """Wraps the application."""

    def __init__(self, app: ASGIApp, door: Door, limits: Limits, log: Log) -> None:
        self._app = app
        self._door = door
        self._limits = limits
        self._log = log

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return
        is_begun = False

        async def strict(message: Message) -> None:
            nonlocal is_begun
            if message["type"] == "http.response.start":
                is_begun = True
                headers = MutableHeaders(scope=message)
                for name, value in STRICT_HEADERS.items():
                    headers[name] = value
            await send(message)

        async def reply(problem: Refused) -> None:
            self._log.refused_request(scope, problem.why)
            if not is_begun:
                await answer(scope["path"], problem)(scope, receive, strict)

        try:
            async with asyncio.timeout(self._limits.request_s):
                await self._checked(scope)(scope, receive, strict)
        except Refused as problem:
            await reply(problem)
        except ClientDisconnect:
            self._log.say(f"{who(scope)} went away in the middle of {what(scope)}")
        except TimeoutError:
            await reply(refused(408, SLOW))
        except Exception as problem:
            self._log.say(f"program error: {_told(problem)}")
            await reply(SLIP)

    def _checked(self, scope: Scope) -> ASGIApp:
        """Return what answers this request.

        Raises
        ------
        Refused
            If nothing may.
        """
        headers = Headers(scope=scope)
        if headers.get("host", "").lower() not in self._door.hosts:
            raise refused(403, FOREIGN, "foreign host name")
        path: str = scope["path"]
        if path.startswith(ENTER) and scope["method"] in SAFE_METHODS:
            return self._entered(path.removeprefix(ENTER))
        if not self._door.is_token(_cookie(headers, self._door.cookie)):
            raise refused(403, NO_TOKEN)
        connection = scope.get("state", {}).get("connection")
        if connection is not None:
            connection.is_known = True
        self._check_origin(scope["method"], path, headers)
        return self._app

    def _entered(self, given: str) -> Response:
        if not self._door.is_token(given):
            raise refused(403, NO_TOKEN, "wrong token")
        response = RedirectResponse("/", 303)
        # Lax: a scanned or tapped link is not followed with Strict cookies by every browser; what changes
        # anything is a POST, and to those no other site's page can add the cookie.
        response.set_cookie(self._door.cookie, self._door.token, path="/", httponly=True, samesite="lax")
        return response

    def _check_origin(self, method: str, path: str, headers: Headers) -> None:
        """Refuse what another site's page asks for in this browser's name."""
        site = headers.get("sec-fetch-site", "")
        if method in SAFE_METHODS:
            if path != "/" and site not in ("", "same-origin", "none"):
                raise refused(403, FOREIGN, f"asked by a {site} page")
            return
        if site not in ("", "same-origin"):
            raise refused(403, FOREIGN, f"asked by a {site} page")
        origin = headers.get("origin", "").lower()
        if origin != f"http://{headers['host'].lower()}" and not (site == "same-origin" and not origin):
            raise refused(403, FOREIGN, f"origin {origin or 'not given'}")
        if headers.get(OWN_HEADER, "") != OWN_VALUE:
            raise refused(403, FOREIGN, f"no {OWN_HEADER} header")


def _cookie(headers: Headers, name: str) -> str:
    try:
        cookies = SimpleCookie(headers.get("cookie", ""))
    except CookieError:
        return ""
    return cookies[name].value if name in cookies else ""


def _told(problem: Exception) -> str:
    """Return where a slip of the program is, for the terminal only."""
    last = traceback.extract_tb(problem.__traceback__)[-1:]
    where = f" ({Path(last[0].filename).name}, line {last[0].lineno})" if last else ""
    return f"{type(problem).__name__}: {problem}{where}"
