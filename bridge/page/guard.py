"""Who is let in: the name that was called, the secret in the address, where a request comes from, and how many.

- *Host.* Only this computer's own names and numbers; a page elsewhere that gives its name our number (DNS rebinding)
  calls us by that name. In a network any bare number will do: it cannot be rebound.
- *Secret.* With `--lan` the first part of the path. One lets look, another also act; compared in constant time.
- *Origin.* What says that it comes from another page is refused; an action must say that it comes from ours, and bring
  the token that stands in it.
- *Limits.* Requests and actions each have a rate for every caller; there are so many callers at most.
- *Headers.* Every answer has them: a policy that allows our own files and nothing inline, no sniffing, no framing, no
  referrer (it would hold the secret), no cache. There are no cookies.
"""

from __future__ import annotations

import hmac
import ipaddress
import socket
import time
from collections import OrderedDict
from collections.abc import Callable, MutableMapping
from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

Role: TypeAlias = Literal["look", "act"]

POLICY = "; ".join(
    (
        "default-src 'self'",
        "object-src 'none'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS: tuple[tuple[bytes, bytes], ...] = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (
        b"permissions-policy",
        b"camera=(), microphone=(), geolocation=(), usb=(), midi=(), screen-wake-lock=(self)",
    ),
    (b"cache-control", b"no-store"),
)
TOKEN = b"x-stillbeat"
MOST_CALLERS = 256

Scope: TypeAlias = MutableMapping[str, Any]


def policy_header(policy: str = POLICY) -> tuple[bytes, bytes]:
    """Return the content policy as a header."""
    return b"content-security-policy", policy.encode()


@dataclass(frozen=True)
class Refusal:
    """Why somebody is not let in."""

    status: int
    words: str


class Rate:
    """So many at once, and so many a second after that, for every caller; a caller not seen for long is forgotten."""

    def __init__(self, burst: float, per_s: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._burst, self._per_s, self._clock = burst, per_s, clock
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def allows(self, caller: str) -> bool:
        """Count one more; tell whether it is within the limits."""
        now_s = self._clock()
        left, at_s = self._left.pop(caller, (self._burst, now_s))
        left = min(self._burst, left + (now_s - at_s) * self._per_s)
        allowed = left >= 1.0
        self._left[caller] = (left - 1.0 if allowed else left, now_s)
        while len(self._left) > MOST_CALLERS:
            self._left.popitem(last=False)
        return allowed


class Guard:
    """Decides about requests.

    Parameters
    ----------
    lan : bool
        Whether others in the network may come.
    look, act : str
        Secrets in the address; both empty: none is asked for.
    token : str
        What an action brings.
    clock : callable
        Seconds, rising.
    """

    def __init__(
        self,
        lan: bool,
        look: str,
        act: str,
        token: str,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.port = 0
        self._lan, self._look, self._act, self._token = lan, look.encode(), act.encode(), token.encode()
        self._requests = Rate(200, 40, clock)
        self._actions = Rate(20, 10, clock)
        own = socket.gethostname().lower().partition(".")[0]
        self._names = {"localhost"} | ({own, f"{own}.local"} if lan and own else set())

    def enter(self, scope: Scope) -> tuple[Role, str] | Refusal:
        """Decide about a request; return what it may do, and its path without the secret."""
        headers: dict[bytes, bytes] = {}
        for name, value in scope["headers"]:
            if name in headers and name in (b"host", b"origin", b"content-length", TOKEN):
                return Refusal(400, "a header came twice")
            headers[name] = value
        host = headers.get(b"host", b"").decode("latin-1").lower()
        if not self._ours(host):
            return Refusal(403, "not under this name")
        caller = scope["client"][0] if scope.get("client") else ""
        if not self._requests.allows(caller):
            return Refusal(429, "too many requests")
        if not self._from_here(headers, host, scope["method"]):
            return Refusal(403, "not from another page")
        path = scope["path"]
        role: Role = "act"
        if self._act:
            secret, slash, path = path[1:].partition("/")
            given = secret.encode()
            # Both are compared, always.
            acts, looks = hmac.compare_digest(given, self._act), hmac.compare_digest(given, self._look)
            if not (slash and (acts or looks)):
                return Refusal(404, "nothing here")
            role, path = ("act" if acts else "look"), f"/{path}"
        if scope["method"] == "POST":
            refused = self._may_act(headers, role, caller)
            if refused is not None:
                return refused
        elif scope["method"] not in ("GET", "HEAD"):
            return Refusal(405, "only GET, HEAD and POST")
        return role, path

    def _ours(self, host: str) -> bool:
        name, bracket, port = host.rpartition(":")
        if not bracket:
            name, port = host, "80"
        if port != str(self.port):
            return False
        name = name.strip("[]")
        if name in self._names:
            return True
        try:
            number = ipaddress.ip_address(name)
        except ValueError:
            return False
        return self._lan or number.is_loopback

    @staticmethod
    def _from_here(headers: dict[bytes, bytes], host: str, method: str) -> bool:
        """Whether a request comes from our own page, or from nowhere: an address that was typed."""
        origin = headers.get(b"origin")
        if origin is not None and origin.decode("latin-1").lower() != f"http://{host}":
            return False
        if origin is None and method == "POST":
            return False
        site = headers.get(b"sec-fetch-site", b"none")
        if site in (b"none", b"same-origin"):
            return True
        # A link to us may be followed from anywhere; nothing else may be loaded from there.
        return method == "GET" and headers.get(b"sec-fetch-mode") == b"navigate"

    def _may_act(self, headers: dict[bytes, bytes], role: Role, caller: str) -> Refusal | None:
        if role != "act":
            return Refusal(403, "this address may look, not act")
        if not hmac.compare_digest(headers.get(TOKEN, b""), self._token):
            return Refusal(403, "not from another page")
        if headers.get(b"content-type", b"").partition(b";")[0].strip().lower() != b"application/json":
            return Refusal(415, "only JSON")
        return None if self._actions.allows(caller) else Refusal(429, "too many actions")
