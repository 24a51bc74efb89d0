"""Serves the page in a thread of its own; scoring goes on whatever becomes of it."""

import asyncio
import logging
import threading
from contextlib import suppress
from importlib.resources import files

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from starwinnow.live_snapshot import LiveSnapshot
from starwinnow_cli.phone.address import AddressError, Place, qr_lines
from starwinnow_cli.phone.board import Board
from starwinnow_cli.phone.door import MOST_CONNECTIONS, Door
from starwinnow_cli.phone.guard import Guard
from starwinnow_cli.phone.picture import png

__all__ = ["PageServer"]

# All that is ever served from the disk; read once, so that no request opens a file.
_PAGES = {
    "/": ("page.html", "text/html"),
    "/page.css": ("page.css", "text/css"),
    "/page.js": ("page.js", "text/javascript"),
    "/icon.svg": ("icon.svg", "image/svg+xml"),
}
_START_S, _STOP_S = 10.0, 1.0


class PageServer:
    """The page's server.

    Parameters
    ----------
    place : Place
    token : str or None
        Wanted in every address; None on the machine itself.

    Raises
    ------
    AddressError
        On entering, if the place cannot be used.
    """

    def __init__(self, place: Place, token: str | None) -> None:
        if token is None and not place.is_loopback:
            raise AddressError(f"{place.host} can be reached by others: it needs a token.")
        self.place = place
        self.links = place.links(token)
        self._board = Board()
        names = None if token else place.names
        config = uvicorn.Config(
            Guard(_pages(self._board), token=token, names=names),
            http=Door,
            ws="none",
            loop="asyncio",
            lifespan="off",
            log_config=None,
            log_level=logging.CRITICAL,
            access_log=False,
            server_header=False,
            proxy_headers=False,
            backlog=MOST_CONNECTIONS,
            timeout_graceful_shutdown=1,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="phone page", daemon=True)
        self._ready = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None

    def __enter__(self) -> "PageServer":
        self._listener = self.place.bind()
        self._thread.start()
        self._ready.wait(_START_S)
        return self

    def __exit__(self, *error: object) -> None:
        self.close()
        self._thread.join(_STOP_S)

    def close(self) -> None:
        """Tell all pages the last news, then stop; returns at once."""
        self._server.should_exit = True
        if self._loop is not None and not self._loop.is_closed():
            # A loop that closes at this moment has nobody left to tell.
            with suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._board.close)

    @property
    def is_open_to_others(self) -> bool:
        """Whether other machines may reach it."""
        return not self.place.is_loopback

    @property
    def invitation(self) -> str:
        """Where to find the page."""
        return "Page: " + " or ".join(self.links[:2])

    @property
    def code(self) -> list[str]:
        """The likeliest address as a QR code, lines of block signs."""
        return qr_lines(self.links[0])

    @property
    def was_opened(self) -> bool:
        """Whether a page has been opened yet."""
        return self._board.was_read.is_set()

    def publish(self, snapshot: LiveSnapshot) -> None:
        """Show a snapshot; returns at once."""
        self._board.publish(snapshot)

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        finally:
            self._ready.set()
            self._listener.close()

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        # What goes wrong with a client is no business of the terminal's.
        self._loop.set_exception_handler(lambda loop, context: None)
        self._board.attach(self._loop)
        self._ready.set()
        await self._server.serve(sockets=[self._listener])


def _pages(board: Board) -> Starlette:
    """All that can be asked for."""

    async def events(request: Request) -> Response:
        if board.is_full:
            return Response(status_code=503)
        address = request.client.host if request.client else ""
        return StreamingResponse(board.follow(address), media_type="text/event-stream")

    async def picture(request: Request) -> Response:
        shown = board.picture
        if shown is None:
            return Response(status_code=404)
        red = request.url.path.endswith("red.png")
        return Response(png(shown, red=red), media_type="image/png")

    routes = [_static(path, name, kind) for path, (name, kind) in _PAGES.items()]
    routes += [
        Route("/events", events),
        Route("/picture-red.png", picture),
        Route("/picture-day.png", picture),
    ]
    app = Starlette(routes=routes)
    app.router.redirect_slashes = False
    return app


def _static(path: str, name: str, kind: str) -> Route:
    content = (files("starwinnow_cli.phone") / name).read_bytes()

    async def serve(request: Request) -> Response:
        return Response(content, media_type=kind)

    return Route(path, serve)
