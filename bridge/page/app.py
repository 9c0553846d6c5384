"""What the server answers: our own files, the stream of what is shown, what can be read about a table, and actions."""

from __future__ import annotations

import asyncio
import html
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib import resources
from typing import TYPE_CHECKING, Any

from bridge.errors import StillbeatError
from bridge.page.actions import MOST_AGE_S, MOST_BYTES, Ask, read_ask
from bridge.page.frames import Asked, Stand
from bridge.page.guard import HEADERS, Guard, Refusal, policy_header
from bridge.page.stream import MOST_STREAMS, Hub
from bridge.page.study import Study

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.types import ASGIApp, Receive, Scope, Send

_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
}
BODY_S = 2.0
"""A request must have come whole within so long."""
_REMEMBERED = 256
_STREAM_HEADERS = [(b"content-type", b"text/event-stream; charset=utf-8"), (b"x-accel-buffering", b"no")]


@dataclass
class Doings:
    """What an application needs, and what it tells."""

    stand: Stand
    hub: Hub
    guard: Guard
    token: str
    ask: Callable[[Asked], None]
    """Called with what somebody asks."""
    done: deque[str] = field(default_factory=lambda: deque(maxlen=_REMEMBERED))
    """Touches that were carried out."""


def own_files() -> dict[str, tuple[bytes, str]]:
    """Return all files of the browser's side by name, with their type; nothing else can be asked for."""
    found = {}
    for entry in resources.files("bridge.page").joinpath("web").iterdir():
        ending = entry.name[entry.name.rfind(".") :]
        if ending in _TYPES:
            found[entry.name] = (entry.read_bytes(), _TYPES[ending])
    return found


def make_app(doings: Doings) -> ASGIApp:
    """Return the application, the guard before it."""
    from starlette.applications import Starlette
    from starlette.responses import JSONResponse, PlainTextResponse, Response
    from starlette.routing import Route

    files = own_files()
    study = Study(doings.stand.spec)
    hub = doings.hub

    async def page(request: Request) -> Response:
        text = files["index.html"][0].decode("utf-8")
        role = request.scope["role"]
        token = doings.token if role == "act" else ""
        made = text.replace("%ROLE%", html.escape(role)).replace("%TOKEN%", html.escape(token))
        return Response(made, media_type="text/html")

    async def file(request: Request) -> Response:
        found = files.get(request.path_params["name"])
        if found is None or request.path_params["name"] == "index.html":
            return PlainTextResponse("nothing here", 404)
        return Response(found[0], headers={"content-type": found[1]})

    async def action(request: Request) -> Response:
        try:
            body = await asyncio.wait_for(_body(request), BODY_S)
        except TimeoutError:
            return PlainTextResponse("too slow", 408)
        ask = read_ask(body) if body is not None else None
        if ask is None or ask.action not in doings.stand.actions:
            return PlainTextResponse("not in the list of actions", 400)
        return JSONResponse({"done": _carry_out(doings, ask)})

    def worked_out(kind: str) -> Callable[[Request], Any]:
        async def answer(request: Request) -> Response:
            words = dict(request.query_params)
            if len(words) > 12 or any(len(value) > 80 for value in words.values()):
                return JSONResponse({"problem": "too many words"}, 400)
            try:
                made = await asyncio.to_thread(study.answer, kind, words)
            except StillbeatError as problem:
                return JSONResponse({"problem": str(problem)}, 400)
            headers = {"content-type": made.media_type}
            if made.policy:
                headers["content-security-policy"] = made.policy
            return Response(made.body, headers=headers)

        return answer

    routes = [
        Route("/", page),
        Route("/action", action, methods=["POST"]),
        *(Route(f"/study/{kind}", worked_out(kind)) for kind in study.kinds),
        Route("/{name}", file),
    ]
    inner = Starlette(routes=routes)

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        entered = doings.guard.enter(scope)

        async def with_headers(message: Any) -> None:
            if message["type"] == "http.response.start":
                given = {name for name, _ in message["headers"]}
                ours = (*HEADERS, policy_header())
                extra = [header for header in ours if header[0] not in given]
                message = {**message, "headers": [*message["headers"], *extra]}
            await send(message)

        if isinstance(entered, Refusal):
            refused = PlainTextResponse(entered.words, entered.status, {"connection": "close"})
            await refused(scope, receive, with_headers)
            return
        role, path = entered
        if path == "/events":
            if hub.streams >= MOST_STREAMS:
                full = PlainTextResponse("too many look already", 503, {"connection": "close"})
                await full(scope, receive, with_headers)
            else:
                await hub.stream(receive, with_headers, _STREAM_HEADERS)
            return
        inside = {**scope, "path": path, "raw_path": path.encode(), "role": role}
        await inner(inside, receive, with_headers)

    return app


async def _body(request: Request) -> bytes | None:
    """Return the body of a request; None if it is too long."""
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > MOST_BYTES:
            return None
    return body


def _carry_out(doings: Doings, ask: Ask) -> str:
    """Hand an action on, unless it comes too late or for the second time; say which."""
    if not -1.0 <= doings.hub.now_s - ask.asked_s <= MOST_AGE_S:
        return "too late"
    if ask.id in doings.done:
        return "already"
    doings.done.append(ask.id)
    doings.ask(Asked(ask.action, ask.number, ask.words))
    return "asked"
