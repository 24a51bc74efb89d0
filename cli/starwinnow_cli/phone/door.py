"""Who comes in: a limited number of connections, none that dawdles."""

import asyncio
import socket

from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle

__all__ = ["MOST_CONNECTIONS", "MOST_OF_ONE_ADDRESS", "PATIENCE_S", "Door"]

MOST_CONNECTIONS = 64
"""So many connections at a time, from all addresses; more are closed unanswered."""
MOST_OF_ONE_ADDRESS = 24
"""And so many from one address. A browser opens up to six for a page."""
PATIENCE_S = 5.0
"""A client that has not asked, or not taken what waits for it, in this time is dropped."""
# What the system may hold for a client that does not read: a few messages, not megabytes.
_SEND_BUFFER_BYTES = 65_536
# A phone that was carried out of reach answers nothing: its line is given up after this time.
_GONE_MS = 30_000


class Door(H11Protocol):
    """One connection, closed at once when there are too many, later when it is too slow."""

    _refused = False
    _late: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Let a connection in, or close it."""
        super().connection_made(transport)
        address = self.client[0] if self.client else ""
        clients = [getattr(other, "client", None) for other in self.connections]
        alike = sum(client is not None and client[0] == address for client in clients)
        if len(self.connections) > MOST_CONNECTIONS or alike > MOST_OF_ONE_ADDRESS:
            self._refused = True
            transport.abort()
            return
        stream = transport.get_extra_info("socket")
        if stream is not None:
            stream.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER_BYTES)
            if hasattr(socket, "TCP_USER_TIMEOUT"):
                stream.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, _GONE_MS)
        transport.set_write_buffer_limits(high=_SEND_BUFFER_BYTES)
        self._late = self.loop.call_later(PATIENCE_S, self._drop_unasked)

    def data_received(self, data: bytes) -> None:
        """Take what a client sends, unless it was turned away."""
        if not self._refused:
            super().data_received(data)

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the connection."""
        self._hurry(None)
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        """Note that the client does not read; it has some time to catch up."""
        super().pause_writing()
        self._hurry(self.loop.call_later(PATIENCE_S, self.transport.abort))

    def resume_writing(self) -> None:
        """Note that it reads again."""
        super().resume_writing()
        self._hurry(None)

    def _hurry(self, late: asyncio.TimerHandle | None) -> None:
        if self._late is not None:
            self._late.cancel()
        self._late = late

    def _drop_unasked(self) -> None:
        """Close a connection on which no whole request came; another's reply goes on."""
        cycle: RequestResponseCycle | None = self.cycle
        if cycle is None or cycle.response_complete:
            self.transport.abort()
