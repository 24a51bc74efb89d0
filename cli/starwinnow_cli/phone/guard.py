"""What may be asked: only to look, only with the token, not too often."""

import hmac
import time
from collections.abc import Callable
from dataclasses import dataclass

from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["Guard"]

# A page is five requests; a phone that has lost the server asks twice a second at most.
_BURST, _PER_SECOND = 40.0, 8.0
_MOST_ADDRESSES = 256
_HEADERS = [
    (b"content-security-policy", b"default-src 'none'; script-src 'self'; style-src 'self'; "
     b"img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; "
     b"frame-ancestors 'none'"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"referrer-policy", b"no-referrer"),
    (b"x-content-type-options", b"nosniff"),
    (b"cache-control", b"no-store"),
    (b"connection", b"close"),
]  # fmt: skip


@dataclass(slots=True)
class _Allowance:
    """Requests that an address may still make."""

    left: float
    at: float


class Guard:
    """Stands before the pages: refuses without a word, and gives every reply its safe headers.

    Parameters
    ----------
    app : ASGI application
        The pages, as if they stood at the root.
    token : str or None
        First part of every path; None where no token is wanted.
    names : frozenset of str or None
        Host lines that are answered. Without a token a page of another site, whose name was made
        to point to this machine, must not be answered.
    clock : callable
        Seconds that only grow.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        token: str | None,
        names: frozenset[str] | None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._app = app
        self._prefix = f"/{token}/" if token else "/"
        self._names = names
        self._clock = clock
        self._allowances: dict[str, _Allowance] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or refuse it."""
        if scope["type"] != "http":
            return

        async def send_safely(message: Message) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message.get("headers", ()), *_HEADERS]}
            await send(message)

        status = self._refusal(scope)
        if status:
            start = {"type": "http.response.start", "status": status}
            await send_safely({**start, "headers": [(b"content-length", b"0")]})
            await send({"type": "http.response.body", "body": b""})
            return
        path = "/" + scope["path"][len(self._prefix) :]
        await self._app({**scope, "path": path, "raw_path": path.encode()}, receive, send_safely)

    def _refusal(self, scope: Scope) -> int:
        """Status of the refusal, 0 for none."""
        client = scope.get("client")
        if not self._may_ask(client[0] if client else ""):
            return 429
        hosts = [value for name, value in scope["headers"] if name == b"host"]
        if self._names is not None and (
            len(hosts) != 1 or hosts[0].decode("latin-1").lower() not in self._names
        ):
            return 403
        begin = scope["path"][: len(self._prefix)].encode("utf-8", "replace")
        # Compared in constant time: how long a refusal takes tells nothing about the token.
        if not hmac.compare_digest(begin, self._prefix.encode()):
            return 403
        return 0 if scope["method"] in {"GET", "HEAD"} else 405

    def _may_ask(self, address: str) -> bool:
        now = self._clock()
        allowance = self._allowances.pop(address, None) or _Allowance(_BURST, now)
        allowance.left = min(allowance.left + (now - allowance.at) * _PER_SECOND, _BURST)
        allowance.at = now
        # The latest asked last: what is forgotten first has been quiet longest.
        self._allowances[address] = allowance
        while len(self._allowances) > _MOST_ADDRESSES:
            del self._allowances[next(iter(self._allowances))]
        if allowance.left < 1:
            return False
        allowance.left -= 1
        return True
