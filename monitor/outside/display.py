"""The bay display: one page of our own and a stream of events, served in a thread of its own.

The daemon hands over what it has to say without waiting (display_feed). This thread draws the picture from
it, words it once, and sends the same bytes to every page. A page gets the newest picture whenever it has taken
the last one: what it was too slow for is never sent, so nothing piles up for a page that reads nothing. The
number of connections, of pages, of requests under way and their sizes are bounded; a connection that asks
nothing within ten seconds is closed. No page asks another host for anything, and the policy header holds it to that.
"""

from __future__ import annotations

import asyncio
import json
import secrets
import threading
import time
from collections.abc import Callable
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

import monitor
from monitor.outside.display_door import BACKLOG, Door, Place, listen
from monitor.outside.display_feed import Feed, Posted
from monitor.outside.display_html import TYPES, fill_page, read_asset
from monitor.outside.display_picture import LATE_S, Picture
from monitor.outside.log_lines import fault, note
from monitor.outside.mqtt import Asked
from monitor.outside.requests import ASKS, MAX_BYTES
from monitor.settings import Station

DRAW_S = 0.1  # how often the feed is looked at
REPEAT_S = 1.0  # a picture goes out at least so often, so that silence means trouble
MOST_CONNECTIONS = 300  # far below the usual 1,024 files a process may open: the logs come first
MOST_PAGES = 48
MOST_REQUESTS = 8  # under way at once
SILENT_S = 10.0  # a connection that asked nothing by then is closed
TAKE_S = 20.0  # a page that takes nothing for so long is let go
ANSWER_S = 5.0
START_S = 10.0  # until the thread's loop turns; it takes some milliseconds
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "img-src 'self' data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}


class _Connection(H11Protocol):
    """uvicorn's connection, with a bound on how many there are and how long one may ask nothing."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._watch = self.loop.call_later(SILENT_S, self._close_if_silent)
        if len(self.connections) > MOST_CONNECTIONS:
            transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """No timer may keep a dead connection: thousands of them make each full clean-up halt all threads."""
        super().connection_lost(exc)
        self._watch.cancel()
        self._unset_keepalive_if_required()  # uvicorn leaves it when the other side broke off

    def _close_if_silent(self) -> None:
        if self.cycle is None and not self.transport.is_closing():
            self.transport.abort()


class Display:
    """Serves one bay until closed. `feed` is filled by the daemon, which takes requests by `post`."""

    def __init__(
        self, station: Station, place: Place, pin: str | None, feed: Feed, post: Callable[[Posted], None],
        earlier: str = "",
    ) -> None:  # fmt: skip
        """earlier: the name of the last log before this start. Raises UsageError when the port cannot be had."""
        self._feed = feed
        self._door, self._post = Door(place, pin), post
        self._picture = Picture(station, monitor.__version__, earlier)
        self._glance_s = time.monotonic()
        self._text, self._boot = b"{}", secrets.token_hex(4)
        self._document: dict[str, Any] = {}
        self._sent_s = 0.0
        self._pages = 0
        self._under_way = 0
        self._failed = False
        self._socket = listen(place)
        self.port = int(self._socket.getsockname()[1])
        self.place = Place(place.host, self.port)
        self._draw(force=True)
        self._ready = threading.Event()
        self._server = uvicorn.Server(self._settings())
        self._thread = threading.Thread(target=self._run, name="display", daemon=True)
        self._thread.start()
        self._ready.wait(START_S)
        note("display", url=self.place.url, pin="needed" if pin else "not needed")

    def close(self) -> None:
        """End the streams, free the port."""
        self._server.should_exit = True
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(lambda: self._news.set())
        self._thread.join(4.0)
        self._socket.close()

    # ------------------------------------------------------------ the thread

    def _settings(self) -> uvicorn.Config:
        return uvicorn.Config(
            self._app(), log_config=None, log_level="critical", access_log=False, lifespan="off", ws="none",
            http=_Connection, loop="asyncio", backlog=BACKLOG, server_header=False, proxy_headers=False,
            timeout_keep_alive=5, timeout_graceful_shutdown=1, h11_max_incomplete_event_size=16_384,
        )  # fmt: skip

    def _run(self) -> None:
        try:
            asyncio.run(self._main())
        except Exception:  # the display must never take the daemon with it
            fault("display-failed", trace=True)

    async def _main(self) -> None:
        self._news = asyncio.Event()
        self._loop = asyncio.get_running_loop()
        self._ready.set()
        drawing = asyncio.create_task(self._keep_drawing())
        try:
            await self._server.serve(sockets=[self._socket])
        finally:
            drawing.cancel()

    async def _keep_drawing(self) -> None:
        while True:
            await asyncio.sleep(DRAW_S)
            try:
                self._draw()
            except Exception:  # a mistake in drawing: say it once, go on with the next picture
                if not self._failed:
                    fault("display-failed", trace=True)
                self._failed = True

    def _draw(self, force: bool = False) -> None:
        """Take what came; when there is news, or a second is over, the picture is worded anew and sent."""
        things, now_s = self._feed.take(), time.monotonic()
        for run, thing in things:
            self._picture.take(run, thing)
        fresh = any(not isinstance(thing, bytes) for _, thing in things)
        if fresh:
            self._glance_s = now_s
        if not (force or fresh or now_s - self._sent_s >= REPEAT_S):
            return
        self._sent_s = now_s
        late_s = now_s - self._glance_s
        picture = self._picture.document(late_s)
        self._document = picture | {
            "run": f"{self._boot}.{picture['run']}",  # another daemon's first run is another run
            "pin": self._door.wants_pin,
            "late_s": round(late_s, 1),
        }
        self._text = json.dumps(self._document, allow_nan=False, separators=(",", ":")).encode()
        if not force:
            news, self._news = self._news, asyncio.Event()
            news.set()

    # ------------------------------------------------------------ what is served

    def _app(self) -> Any:
        assets = [
            Route(f"/{name}", self._asset(name), methods=["GET"]) for name in TYPES if name != "display.html"
        ]
        routes = [
            Route("/", self._page, methods=["GET"]),
            Route("/state.json", self._state, methods=["GET"]),
            Route("/history.json", self._history, methods=["GET"]),
            Route("/healthz", self._health, methods=["GET"]),
            Route("/events", _Stream(self), methods=["GET"]),
            Route("/ask/{what}", self._ask, methods=["POST"]),
            *assets,
        ]
        app = Starlette(routes=routes)

        async def guarded(scope: Scope, receive: Receive, send: Send) -> None:
            if scope["type"] != "http":
                return
            refusal = self._door.refuse_host(_header(scope, b"host"))
            target: Any = PlainTextResponse(f"{refusal}\n", 421) if refusal else app
            await target(scope, receive, _with_headers(send))

        return guarded

    def _asset(self, name: str) -> Callable[[Request], Response]:
        content, kind = read_asset(name), TYPES[name]

        async def serve(_: Request) -> Response:
            return Response(content, media_type=kind)

        return serve  # type: ignore[return-value]

    async def _page(self, _: Request) -> Response:
        return Response(fill_page(self._document), media_type=TYPES["display.html"])

    async def _state(self, _: Request) -> Response:
        return Response(self._text, media_type="application/json")

    async def _history(self, request: Request) -> Response:
        after = request.query_params.get("after", "0")
        if not (after.isascii() and after.isdigit() and len(after) < 12):
            return JSONResponse({"ok": False, "why": "after: expected a revolution's number"}, 400)
        return JSONResponse({"run": self._document["run"]} | self._picture.history.document(int(after)))

    async def _health(self, _: Request) -> Response:
        well = time.monotonic() - self._glance_s < LATE_S
        return PlainTextResponse("well\n" if well else "the daemon does not measure\n", 200 if well else 503)

    async def _ask(self, request: Request) -> Response:
        what = request.path_params["what"]
        refused = self._refuse(request, what)
        if refused is not None:
            return refused
        self._under_way += 1
        try:
            payload = await asyncio.wait_for(_read_body(request), ANSWER_S)
            if payload is None:
                return _no(413, f"the request is longer than {MAX_BYTES} bytes")
            answer = await asyncio.wait_for(self._answer(Asked(what, payload, retained=False)), ANSWER_S)
        except TimeoutError:
            return _no(
                504, "the service did not answer in time; look whether it was done before you try again"
            )
        except ClientDisconnect:
            return _no(400, "the request was cut off")
        finally:
            self._under_way -= 1
        return JSONResponse(answer, 200 if answer.get("ok") else 422)

    def _refuse(self, request: Request, what: str) -> Response | None:
        """Before a byte of the body is read."""
        kind = request.headers.get("content-type", "").partition(";")[0].strip()
        host = request.headers.get("host", "")
        if what not in ASKS:
            return _no(404, f"there is no such request; expected one of {', '.join(ASKS)}")
        if kind != "application/json":
            return _no(415, "expected Content-Type: application/json")
        why = self._door.refuse_origin(request.headers.get("origin"), host)
        if why is not None:
            return _no(403, why)
        why = self._door.refuse_pin(request.headers.get("x-bay-pin", ""))
        if why is not None:
            return _no(401, why)
        if self._under_way >= MOST_REQUESTS:
            return _no(503, "too many requests at once; try again")
        return None

    async def _answer(self, asked: Asked) -> dict[str, Any]:
        loop, future = self._loop, self._loop.create_future()

        def deliver(answer: dict[str, Any]) -> None:
            if not future.done():
                future.set_result(answer)

        def reply(answer: dict[str, Any]) -> None:
            if not loop.is_closed():
                loop.call_soon_threadsafe(deliver, answer)

        self._post(Posted(asked, reply))
        answer: dict[str, Any] = await future
        return answer


class _Stream:
    """/events: the newest picture, again and again."""

    def __init__(self, display: Display) -> None:
        self._display = display

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        display = self._display
        if display._pages >= MOST_PAGES:
            response = PlainTextResponse("too many pages are open\n", 503, {"Retry-After": "10"})
            await response(scope, receive, send)
            return
        display._pages += 1
        gone = asyncio.create_task(_until_gone(receive))
        try:
            headers = [(b"content-type", b"text/event-stream; charset=utf-8")]
            await send({"type": "http.response.start", "status": 200, "headers": headers})
            text = b"retry: 1000\n"
            while not gone.done() and not display._server.should_exit:
                news = display._news
                body = text + b"data: " + display._text + b"\n\n"
                part = {"type": "http.response.body", "body": body, "more_body": True}
                await asyncio.wait_for(send(part), TAKE_S)
                text = b""
                waiting = asyncio.create_task(news.wait())
                await asyncio.wait({waiting, gone}, timeout=2 * REPEAT_S, return_when=asyncio.FIRST_COMPLETED)
                waiting.cancel()
            await send({"type": "http.response.body", "body": b"", "more_body": False})
        except TimeoutError:
            return  # it takes nothing; uvicorn closes the connection
        finally:
            gone.cancel()
            display._pages -= 1


async def _until_gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


async def _read_body(request: Request) -> bytes | None:
    """None when it is longer than a request may be."""
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > MAX_BYTES:
            return None
    return body


def _no(status: int, why: str) -> Response:
    return JSONResponse({"ok": False, "why": why}, status)


def _header(scope: Scope, name: bytes) -> str:
    values = [value for key, value in scope["headers"] if key == name]
    return values[0].decode("latin-1") if len(values) == 1 else ""


def _with_headers(send: Send) -> Send:
    own = [(key.lower().encode(), value.encode()) for key, value in HEADERS.items()]

    async def sending(message: Any) -> None:
        if message["type"] == "http.response.start":
            message["headers"] = [*message.get("headers", []), *own]
        await send(message)

    return sending
