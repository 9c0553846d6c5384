"""What a singer sees: the degree and how far it is from pure, in large letters; or plain lines, a note each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bridge.live.desk.drawing import View
from bridge.live.desk.singer import CAUTION, COUNTS_S, NoteNow, SingerSeen
from bridge.live.desk.views.letters import big
from bridge.live.desk.views.lines import Printed
from bridge.live.desk.views.playing import a_picture_suits
from bridge.live.desk.views.screen import Screen
from bridge.live.desk.views.tuner import HALF, scale_line
from bridge.sheet.phrases import beat_words, signed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console, RenderableType

PURE_CENTS = 5.0
"""So near, a voice hardly beats: it is never quite steady itself."""

STEADY_CENTS = 8.0
_SAID_LINES = 3
_BIG_LINES = 5
_LOW, _NARROW = 17, 60
KEYS = "1-9 a degree of the drone on or off, d all of it, q leave"


def way_words(now: NoteNow) -> str:
    """Say which way to go."""
    if now.guess:
        return ""
    if abs(now.cents) <= PURE_CENTS:
        return "pure" if now.steadiness_cents <= STEADY_CENTS else "about pure, and wavering"
    return "lower" if now.cents > 0 else "higher"


def steady_words(now: NoteNow, short: bool = False) -> str:
    """Say how steady a voice is, and of vibrato that its centre is shown."""
    if now.guess:
        return ""
    if now.vibrato_cents and short:
        return f"vibrato {now.vibrato_hz:.1f} a second, {now.vibrato_cents:.0f} cents"
    if now.vibrato_cents:
        return (
            f"vibrato {now.vibrato_hz:.1f} a second, {now.vibrato_cents:.0f} cents to either side: its centre"
        )
    return f"steady to {now.steadiness_cents:.0f} cents"


def note_line(now: NoteNow) -> str:
    """Tell of a note in one line."""
    degree = f"degree {now.degree}" if now.degree else ""
    beats = "" if now.beats_hz is None else f"{beat_words(now.beats_hz)} with the drone"
    off = f"{signed(now.cents)} cents"
    way = "" if not way_words(now) else f"({way_words(now)})"
    parts = (now.note, degree, f"{now.hz:.2f} Hz", off, way, steady_words(now), beats)
    return "  ".join(part for part in parts if part)


def make_singer_display(lines: bool, under: Sequence[str] = ()) -> View[SingerSeen]:
    """Return the view that suits where the output goes; under a picture stand lines that stay."""
    return SingerLines() if lines or not a_picture_suits() else SingerScreen(under=under)


class SingerLines(Printed):
    """A line for each note once it is over, and for what is wrong."""

    def __init__(self) -> None:
        super().__init__()
        self._newest: NoteNow | None = None
        self._said: tuple[str, ...] = ()
        self._drone: tuple[str, ...] = ()
        self._say(CAUTION)

    def show(self, seen: SingerSeen) -> None:
        """Write what is new."""
        for text in seen.said:
            if text not in self._said:
                self._say(text)
        self._said = seen.said
        if seen.drone != self._drone:
            self._say(f"drone: {' '.join(seen.drone) or 'silent'}")
            self._drone = seen.drone
        at = seen.before.index(self._newest) + 1 if self._newest in seen.before else 0
        for note in seen.before[at:]:
            self._say(note_line(note))
        if seen.before:
            self._newest = seen.before[-1]


class SingerScreen(Screen[SingerSeen]):
    """A picture that is drawn again as things change."""

    def __init__(self, console: Console | None = None, under: Sequence[str] = ()) -> None:
        self._under = under
        super().__init__(console)

    def _left(self, seen: SingerSeen) -> list[str]:
        """The last notes stay."""
        last = [seen.now] if seen.now is not None and seen.now.held_s >= COUNTS_S else []
        return [note_line(note) for note in (*seen.before, *last)]

    def _picture(self, seen: SingerSeen) -> RenderableType:
        from rich.console import Group
        from rich.text import Text

        width, height = self.size
        if height < _LOW or width < _NARROW:
            return Group(*self._small(seen, width, height))
        alarms = [Text(text, style="yellow", no_wrap=True) for text in seen.said[-_SAID_LINES:]]
        parts: list[RenderableType] = []
        now = seen.now
        if now is None:
            parts += [Text(""), Text("sing a note, and hold it", style="bold")]
            parts += [Text("") for _ in range(_BIG_LINES + 4)]
        else:
            style = "dim" if now.guess else "green" if abs(now.cents) <= PURE_CENTS else "yellow"
            head = f"{now.note}  {now.hz:.1f} Hz"
            parts += [Text(head, style="bold"), *_large(now, style, width)]
            parts += [Text(scale_line(now.cents), style=style)] if width > 2 * HALF + 1 else []
            parts += [Text(way_words(now).upper(), style=f"{style} bold"), Text(steady_words(now))]
            beats = "" if now.beats_hz is None or now.guess else f"{beat_words(now.beats_hz)} with the drone"
            parts += [Text(beats), Text("")]
        row = "   ".join(f"{note.degree or note.note} {signed(note.cents, 0)}" for note in seen.before)
        parts += [Text(f"before: {row}" if row else "", no_wrap=True)]
        parts += [Text(f"drone: {' '.join(seen.drone) or 'silent'}")]
        parts[:0] = alarms
        parts += [Text(KEYS, style="dim", no_wrap=True), Text(CAUTION, style="dim", no_wrap=True)]
        parts += [Text(line, style="dim", no_wrap=True) for line in self._under]
        return Group(*(parts if height >= len(parts) else parts[:height]))

    def _small(self, seen: SingerSeen, width: int, height: int) -> list[RenderableType]:
        """Draw what matters most, where there are few lines or columns: nothing of it is cut off."""
        from rich.text import Text

        now = seen.now
        drone = Text(f"drone: {' '.join(seen.drone) or 'silent'}", no_wrap=True, overflow="ellipsis")
        parts: list[RenderableType] = []
        if now is None:
            parts += [Text("sing a note, and hold it", style="bold"), Text(""), drone]
            parts += [Text(KEYS, style="dim"), Text(CAUTION, style="dim")]
            parts += [Text(text, style="yellow") for text in seen.said[-1:]]
        else:
            style = "dim" if now.guess else "green" if abs(now.cents) <= PURE_CENTS else "yellow"
            parts += _large(now, style, width)
            parts += [Text(way_words(now).upper(), style=f"{style} bold"), Text(steady_words(now, True))]
            beats = "" if now.beats_hz is None or now.guess else f"{beat_words(now.beats_hz)} with the drone"
            parts += [Text(beats or f"{now.note}  {now.hz:.1f} Hz"), drone]
            parts += [
                Text(text, style="yellow", no_wrap=True, overflow="ellipsis") for text in seen.said[1:][-1:]
            ]
        under = [Text(line, style="dim", no_wrap=True) for line in self._under]
        return [*parts, *under][:height]


def _large(now: NoteNow, style: str, width: int) -> list[RenderableType]:
    from rich.text import Text

    figure = f"~{round(now.cents):+d}" if now.guess else signed(now.cents, 0)
    left, right = big(now.degree or now.note), big(figure)
    gap = max(len(line) for line in left) + 6
    return [
        Text.assemble((a.ljust(gap), "bold"), (b, style), no_wrap=True, overflow="crop")
        for a, b in zip(left, right, strict=True)
    ]
