"""What the page beside a singer is shown: notes that were invented.

Index: `sung` (somebody sings the third, ten cents high, with vibrato) · `sing_stand`.
"""

from __future__ import annotations

import math
from typing import Any

from bridge.jobs.choose import TableRequest, choose_table
from bridge.live.desk.singer import NoteNow, SingerSeen
from bridge.page.frames import ShowSinger, Stand
from bridge.page.singing import stand_of_singer
from bridge.tuning.tables import Table, build_table

D3 = 146.5
"""The reference: by hand D3 is 1/1, F#3 5/4, A3 3/2 of it."""

SPEC = choose_table(TableRequest(guitar="open-d", reference=f"D3={D3}"))


def sing_table() -> Table:
    return build_table(SPEC)


def sing_stand() -> Stand:
    return stand_of_singer(sing_table(), SPEC, "tenor")


def sung(cents: float = 10.0, vibrato_cents: float = 30.0, **changed: Any) -> ShowSinger:
    """Tonic for three seconds, a rest, the third until now."""
    third_hz = D3 * 5 / 4 * 2 ** (cents / 1200)
    line = [(9.0 - 0.04 * k, D3 * 2 ** (3 * math.sin(k / 5) / 1200)) for k in range(75)]
    line.append((line[-1][0], 0.0))
    wave = [vibrato_cents * math.sin(2 * math.pi * 5.5 * 0.04 * k) for k in range(100)]
    line += [(4.0 - 0.04 * k, third_hz * 2 ** (one / 1200)) for k, one in enumerate(wave)]
    rate_hz = 5.5 if vibrato_cents else 0.0
    now = NoteNow("F#3", "3", third_hz, cents, 2.0, rate_hz, vibrato_cents, None, 4.0, 2)
    before = NoteNow("D3", "1", D3, 0.4, 2.0, 0.0, 0.0, 0.1, 3.0, 1)
    said: dict[str, Any] = {
        "now": now,
        "before": (before,),
        "drone": ("D3", "A3"),
        "degrees": (1, 5),
        "said": ("listening to voice; q or Ctrl-C ends it",),
    }
    return ShowSinger(SingerSeen(**{**said, **changed}), tuple(line))
