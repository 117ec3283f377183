"""The page served on this machine alone, so that it can ask for other starts.

Everything stands below a path that holds a random token, made new at each start. Requests
must name this server as their host and, if a browser sends one, as their origin; bodies are
small and checked before anything is computed. One net is computed at a time.
"""

from __future__ import annotations

import asyncio
import hmac
import os
import secrets
import traceback
from collections.abc import Awaitable, Callable
from typing import Annotated, Any

from aiohttp import web
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from drape.errors import InputError, PlywrightError
from viewers.page.webpage import page
from viewers.scene.packing import packed
from viewers.scene.schema import Scene
from viewers.trials import Trials

LOOPBACK = "127.0.0.1"
LARGEST_BODY = 4096  # bytes; a request has about a hundred
TOKEN_HEADER = "X-Plywright-Token"
HEADERS = {
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
Coordinate = Annotated[float, Field(ge=-1e6, le=1e6, allow_inf_nan=False)]
Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class Wanted(BaseModel):
    """What a request asks for: a ply from 0, a start point in mm, an angle in degrees."""

    model_config = ConfigDict(extra="forbid")
    ply: Annotated[int, Field(ge=0, le=10_000, strict=True)]
    point: tuple[Coordinate, Coordinate, Coordinate]
    angle_deg: Annotated[float, Field(ge=-360, le=360, allow_inf_nan=False)]


class LivePage:
    """The server of one job's page.

    ``await start()`` listens on a free port and gives the address to open; ``await stop()``
    ends it.
    """

    def __init__(self, scene: Scene, trials: Trials) -> None:
        self.token = secrets.token_urlsafe(24)
        self._trials = trials
        self._page = page(scene, {"token": self.token})
        self._one = asyncio.Lock()
        self._hosts: set[str] = set()
        app = web.Application(client_max_size=LARGEST_BODY, middlewares=[self._guard])
        app.router.add_get(f"/{self.token}/", self._show)
        app.router.add_post(f"/{self.token}/drape", self._drape)
        app.router.add_post(f"/{self.token}/keep", self._keep)
        self._runner = web.AppRunner(app, access_log=None, handle_signals=False)

    async def start(self, port: int = 0) -> str:
        """Listen; returns the page's address."""
        await self._runner.setup()
        site = web.TCPSite(self._runner, LOOPBACK, port)
        await site.start()
        number = self._runner.addresses[0][1]
        self._hosts = {f"{LOOPBACK}:{number}", f"localhost:{number}"}
        return f"http://{LOOPBACK}:{number}/{self.token}/"

    @property
    def listening(self) -> list[tuple[str, int]]:
        """Host and port of every socket that is listened on."""
        return [(address[0], address[1]) for address in self._runner.addresses]

    async def stop(self) -> None:
        """Close every connection."""
        await self._runner.cleanup()

    @web.middleware
    async def _guard(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        try:
            refused = self._refused(request)
            response = refused or await handler(request)
        except web.HTTPException as error:
            response = _error(error.status, error.reason)
        except PlywrightError as error:
            response = _error(422, error.line())
        except Exception as error:  # one request must not end the others
            if os.environ.get("PLYWRIGHT_DEBUG") == "1":
                traceback.print_exc()
            response = _error(500, f"a fault in plywright: {type(error).__name__}: {error}")
        response.headers.update(HEADERS)
        return response

    def _refused(self, request: web.Request) -> web.Response | None:
        """Host, origin and token; None if all of them are this server's."""
        if request.headers.get("Host", "") not in self._hosts:
            return _error(403, "requests under another host's name are refused")
        origin = request.headers.get("Origin")
        if origin is not None and origin not in {f"http://{host}" for host in self._hosts}:
            return _error(403, "requests from other pages are refused")
        if request.method == "POST":
            given = request.headers.get(TOKEN_HEADER, "").encode("utf-8", "replace")
            if not hmac.compare_digest(given, self.token.encode()):
                return _error(403, "the token is that of an earlier start; open the page again")
        return None

    async def _show(self, request: web.Request) -> web.Response:
        return web.Response(body=self._page, content_type="text/html", charset="utf-8")

    async def _drape(self, request: web.Request) -> web.Response:
        wanted = await _wanted(request)
        scene = await self._computed(self._trials.scene, wanted.ply, wanted.point, wanted.angle_deg)
        return web.json_response({"ply": packed(scene)})

    async def _keep(self, request: web.Request) -> web.Response:
        wanted = await _wanted(request)
        await self._computed(self._trials.keep, wanted.ply, wanted.point, wanted.angle_deg)
        return web.json_response({"kept": True})

    async def _computed(self, function: Callable[..., Any], *args: Any) -> Any:
        async with self._one:
            return await asyncio.get_running_loop().run_in_executor(None, function, *args)


async def _wanted(request: web.Request) -> Wanted:
    body = await request.read()
    try:
        return Wanted.model_validate_json(body)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"])) or "body"
        raise InputError(f"cannot be used: {first['msg']}", where=where) from error


def _error(status: int, text: str) -> web.Response:
    return web.json_response({"error": text}, status=status)


def serve(scene: Scene, trials: Trials, report: Callable[[str], None], port: int = 0) -> None:
    """Serve a page until interrupted; ``report`` gets its address."""

    async def run() -> None:
        live = LivePage(scene, trials)
        report(await live.start(port))
        try:
            await asyncio.Event().wait()
        finally:
            await live.stop()

    asyncio.run(run())
