"""Lines that were written when `play` was called ``live``, in words of now; and how a line to type is said."""

from __future__ import annotations

import contextlib
import re
import shlex
from collections.abc import Sequence

from bridge.errors import StillbeatError


def in_words_of_now(args: Sequence[str]) -> list[str]:
    """Return options that were written for ``live``, when tables to switch to were called slots, as they are now.

    ``--slot`` named every table, and ``--also`` adds to the one that the other options describe: so the first one goes,
    where it is that table, or becomes its tonic, where nothing else describes it.
    """
    now = [re.sub(r"^(--foot=)?(\d+)=slot-", r"\1\2=table-", arg) for arg in args]
    for at in range(len(now) - 1):
        if now[at] == "--zone-keys" and now[at + 1] == "slot":
            now[at + 1] = "table"
    now = [
        re.sub(r"^--zone(-keys)?(?==|$)", lambda old: "--switch-keys" + "-choose" * bool(old[1]), arg)
        for arg in now
    ]
    now = [word for arg in now for word in (arg.split("=", 1) if arg.startswith("--slot=") else [arg])]
    places = [at for at, arg in enumerate(now) if arg == "--slot" and at + 1 < len(now)]
    for at in places:
        now[at] = "--also"
    if places:
        said = {option: now[at + 1] for at, option in enumerate(now[:-1])}
        first = now[places[0] + 1]
        tonic = said.get("--tonic") or said.get("--home")
        if tonic is None and "--guitar" in said:
            from bridge.store.descriptions import load_guitar

            with contextlib.suppress(StillbeatError):
                tonic = load_guitar(said["--guitar"]).tonic
        if tonic is not None and first.lower() == tonic.lower():
            del now[places[0] : places[0] + 2]
        elif tonic is None and "--table" not in said:
            now[places[0]] = "--tonic" if re.fullmatch("[A-Ga-g][#b]?", first) else "--table"
    return now


def line_to_type(args: Sequence[str], command: str = "play") -> str:
    """Say which line to type, in words of now."""
    return f"type: stillbeat {command} {shlex.join(args)}"
