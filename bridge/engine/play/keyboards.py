"""Several keyboards in one performance: which keys of each play, where they sound, and what they hold together.

What is said of a keyboard stands in one text, on the command line and in session files: the name of its port, and
behind a colon what of it plays, in any order::

    left: keys C2-B3, octave -1, channel 2, velocity 90

===================  ==================================================================================
setting              meaning
===================  ==================================================================================
``keys C2-B3``       only these keys play, as they are struck; or ``keys from C4``, ``keys to B3``
``octave +1``        what is played sounds so many octaves higher, or lower (``-1``)
``channel 2``        all of it goes to this channel
``velocity 90``      what the hardest stroke becomes; softer ones in proportion
===================  ==================================================================================

Silent keys that choose tables, and feet, are those of every keyboard, whatever keys of it play.

Index: `Keyboard`, `parse_keyboard`, `shared_channels` · `KeyboardReader` · `Hands`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches

from bridge.engine.lifetimes import ALL_NOTES_OFF, ALL_SOUND_OFF, PEDALS, RESET_CONTROLLERS
from bridge.engine.play.controls import Action, ControlReader, Controls
from bridge.errors import ValueProblem
from bridge.tuning.notes import note_name, parse_key_span, parse_note

MOST_KEYBOARDS = 8
MOST_OCTAVES = 4
_SETTINGS = ("keys", "octave", "channel", "velocity")
_SUCH_AS = "such as left: keys C2-B3, octave +1, channel 2, velocity 90"
_AT_ONCE = re.compile(
    r"keys\s+(?:from\s|to\s|[A-H][#♯b♭]*-?\d+\s*-)|octave\s+(?:up|down|[+−-]?\d)|(?:channel|velocity)\s+\d",
    re.IGNORECASE,
)
"""What is said of a keyboard, without a space behind the colon."""
_WHOLE = re.compile(r"[+-]?\d{1,3}", re.ASCII)


@dataclass(frozen=True)
class Keyboard:
    """One keyboard, and what of it plays.

    Raises
    ------
    ValueProblem
        A value is out of range.
    """

    port: str  # part of its port's name
    keys: tuple[int, int] = (0, 127)  # the lowest and the highest key that plays
    octave: int = 0  # how many octaves higher it sounds
    channel: int | None = None  # to which channel it goes; None: as all playing does
    max_velocity: int | None = None  # what the hardest stroke becomes; None: as for all playing

    def __post_init__(self) -> None:
        if not 0 <= self.keys[0] <= self.keys[1] <= 127:
            raise ValueProblem(
                f"keys from {self.keys[0]} to {self.keys[1]} are impossible", "lowest key first"
            )
        if abs(self.octave) > MOST_OCTAVES:
            raise ValueProblem(f"octave {self.octave:+d} is too far", f"-{MOST_OCTAVES} to +{MOST_OCTAVES}")
        if self.channel is not None and not 1 <= self.channel <= 16:
            raise ValueProblem(f"channel {self.channel} is out of range", "MIDI channels are 1 to 16")
        if self.max_velocity is not None and not 1 <= self.max_velocity <= 127:
            raise ValueProblem(f"a velocity of {self.max_velocity} is out of range", "1 to 127")

    @property
    def whole(self) -> bool:
        """Whether all of it plays as it comes."""
        return replace(self, port="") == Keyboard("")

    @property
    def words(self) -> str:
        """What of it plays, in a few words; empty where all of it plays as it comes."""
        said = []
        low, high = self.keys
        if self.keys != (0, 127):
            ends = (f"{note_name(low)} " if low else "") + f"to {note_name(high)}"
            said.append(f"keys {ends}" if high < 127 else f"keys from {note_name(low)}")
        if self.octave:
            many = f"{abs(self.octave)} octave{'s' * (abs(self.octave) > 1)}"
            said.append(f"{many} {'up' if self.octave > 0 else 'down'}")
        if self.channel is not None:
            said.append(f"channel {self.channel}")
        if self.max_velocity is not None:
            said.append(f"velocity to {self.max_velocity}")
        return ", ".join(said)


def shared_channels(keyboards: Sequence[Keyboard], play_on: int | None = None) -> list[str]:
    """Say which keyboards go to one channel, where one's wheel bends what the other plays as well.

    Parameters
    ----------
    play_on : int, optional
        Where those go that have no channel of their own, 1 to 16; None: as they come.
    """
    said = []
    goes = [one.channel or play_on for one in keyboards]
    free = next(str(number) for number in range(2, 17) if number not in goes)
    for channel in dict.fromkeys(goes):
        ports = [one.port for one, to in zip(keyboards, goes, strict=True) if to == channel]
        if len(ports) > 1:
            where = "where they send on one channel" if channel is None else f"on channel {channel}"
            said.append(
                f"{' and '.join(ports)}: {where} the wheel and the modulation of one act on notes of the other; "
                f'for its own: --in "{ports[-1]}: channel {free}"'
            )
    return said


def parse_keyboard(text: str) -> Keyboard:
    """Read a keyboard as it is named: see the module's text.

    Raises
    ------
    ValueProblem
        A setting is unknown, malformed or out of range.
    """
    name, settings = _parted(text)
    if not name:
        raise ValueProblem(f"{text!r} names no keyboard", f"begin with part of its port's name, {_SUCH_AS}")
    found = Keyboard(name)
    said: set[str] = set()
    for setting in settings:
        word, _, value = " ".join(setting.split()).partition(" ")
        word = word.lower()
        if word not in _SETTINGS:
            near = get_close_matches(word, _SETTINGS, n=1, cutoff=0.4)
            meant = f"did you mean {near[0]}? " if near else ""
            raise ValueProblem(
                f"{name}: {setting.strip()!r} says nothing about a keyboard", f"{meant}{_SUCH_AS}"
            )
        if word in said:
            raise ValueProblem(f"{name}: {word} is said twice", "say it once")
        said.add(word)
        try:
            found = _with(found, word, value.strip())
        except ValueProblem as problem:
            raise ValueProblem(f"{name}: {problem.message}", problem.hint) from None
    return found


def _parted(text: str) -> tuple[str, list[str]]:
    """Tell a port's name, which may hold colons, from what is said of the keyboard."""
    at = next((m.start() for m in re.finditer(":", text) if _is_setting(text[m.end() :])), None)
    if at is None:
        return text.strip(), []
    return text[:at].strip(), text[at + 1 :].split(",")


def _is_setting(text: str) -> bool:
    """Tell whether what stands behind a colon is said of the keyboard, and is no part of its port's name."""
    if not text[:1].isspace():
        return _AT_ONCE.match(text) is not None
    word = (text.split() or [""])[0].rstrip(",").lower()
    return bool(get_close_matches(word, _SETTINGS, n=1, cutoff=0.75))


def _with(keyboard: Keyboard, word: str, value: str) -> Keyboard:
    """Return a keyboard with one thing more said of it."""
    if word == "keys":
        return replace(keyboard, keys=_keys(value))
    value = {"up": "+1", "down": "-1"}.get(value.lower(), value) if word == "octave" else value
    if not _WHOLE.fullmatch(value.replace("−", "-")):
        raise ValueProblem(f"{word} {value!r} is no whole number", _SUCH_AS)
    number = int(value.replace("−", "-"))
    if word == "octave":
        return replace(keyboard, octave=number)
    return replace(keyboard, channel=number) if word == "channel" else replace(keyboard, max_velocity=number)


def _keys(text: str) -> tuple[int, int]:
    first, _, note = text.partition(" ")
    if first.lower() == "from" and note:
        return parse_note(note.removesuffix(" up").strip()), 127
    if first.lower() == "to" and note:
        return 0, parse_note(note.strip())
    return parse_key_span(text, "keys", "keys C2-B3, keys from C4, or keys to B3")


class KeyboardReader:
    """Takes one keyboard's messages: what they do, and what of them goes on as music, where it is to sound."""

    def __init__(self, keyboard: Keyboard, controls: Controls) -> None:
        self._controls = ControlReader(
            replace(
                controls,
                play_on=keyboard.channel or controls.play_on,
                max_velocity=keyboard.max_velocity or controls.max_velocity,
            )
        )
        self._low, self._high = keyboard.keys
        self._shift = 12 * keyboard.octave
        self.plain = self._controls.plain and keyboard.keys == (0, 127) and not keyboard.octave

    def take(self, data: bytes) -> tuple[Action | None, bytes | None]:
        """Take a whole channel message; return what it does, and what of it goes on as music."""
        action, music = self._controls.take(data)
        if music is None or music[0] >= 0xB0:
            return action, music
        key = music[1]
        if not self._low <= key <= self._high:
            return action, None
        if self._shift:
            key += self._shift
            if not 0 <= key <= 127:
                return action, None
            music = bytes((music[0], key, music[2]))
        return action, music


class Hands:
    """What several keyboards hold together, so that one does not end what another one holds.

    A key that two of them hold on one channel is struck by both, and let go when the last one lets go of it: note-offs
    that come sooner wait until then. A pedal is down as long as it is down on one of them. What ends all notes of a
    channel, or resets its controllers, concerns only the keyboard that sends it as long as another one holds something
    there.
    """

    def __init__(self, keyboards: int) -> None:
        self._held: list[dict[int, int]] = [{} for _ in range(keyboards)]
        self._pedals: list[set[tuple[int, int]]] = [set() for _ in range(keyboards)]
        self._waiting: dict[int, list[bytes]] = {}

    def feed(self, source: int, data: bytes) -> list[bytes]:
        """Take a whole channel message of a keyboard; return what goes on."""
        status = data[0]
        if status < 0xA0:
            place = (status & 0x0F) << 7 | data[1]
            if status >= 0x90 and data[2]:
                held = self._held[source]
                held[place] = held.get(place, 0) + 1
                return [data]
            return self._release(source, place, data)
        if status & 0xF0 == 0xB0:
            nibble, controller = status & 0x0F, data[1]
            if controller in PEDALS:
                return self._pedal(source, nibble, controller, data)
            if controller in (ALL_SOUND_OFF, RESET_CONTROLLERS) or controller >= ALL_NOTES_OFF:
                return self._all_off(source, nibble, controller, data)
        return [data]

    def _others_hold(self, source: int, place: int) -> bool:
        return any(place in held for at, held in enumerate(self._held) if at != source)

    def _release(self, source: int, place: int, data: bytes) -> list[bytes]:
        held = self._held[source]
        count = held.get(place, 0)
        if count > 1:
            held[place] = count - 1
        elif count:
            del held[place]
        if self._others_hold(source, place):
            if count:
                self._waiting.setdefault(place, []).append(data)
            return []
        return [data] if count > 1 else [*self._waiting.pop(place, ()), data]

    def _pedal(self, source: int, nibble: int, pedal: int, data: bytes) -> list[bytes]:
        where = (nibble, pedal)
        if data[2]:
            self._pedals[source].add(where)
            return [data]
        self._pedals[source].discard(where)
        return [] if any(where in pedals for pedals in self._pedals) else [data]

    def _all_off(self, source: int, nibble: int, controller: int, data: bytes) -> list[bytes]:
        channel = range(nibble << 7, (nibble + 1) << 7)
        shared = any(
            any(place in channel for place in held) or any(where[0] == nibble for where in pedals)
            for at, (held, pedals) in enumerate(zip(self._held, self._pedals, strict=True))
            if at != source
        )
        if controller == RESET_CONTROLLERS:
            lifted = self._lift(source, nibble)
            return [*lifted, bytes((0xE0 | nibble, 0, 64))] if shared else [data]
        if not shared:
            for place in [place for place in self._held[source] if place in channel]:
                del self._held[source][place]
            for place in [place for place in self._waiting if place in channel]:
                del self._waiting[place]
            return [data]
        return self._let_go(source, [place for place in self._held[source] if place in channel])

    def _let_go(self, source: int, places: list[int]) -> list[bytes]:
        sent: list[bytes] = []
        for place in places:
            for _ in range(self._held[source][place]):
                sent += self._release(source, place, bytes((0x80 | place >> 7, place & 0x7F, 64)))
        return sent

    def _lift(self, source: int, nibble: int | None = None) -> list[bytes]:
        down = sorted(where for where in self._pedals[source] if nibble is None or where[0] == nibble)
        return [
            message
            for on, pedal in down
            for message in self._pedal(source, on, pedal, bytes((0xB0 | on, pedal, 0)))
        ]

    def release(self, source: int) -> list[bytes]:
        """Return what lets go of all that one keyboard holds: it is gone."""
        return [*self._let_go(source, list(self._held[source])), *self._lift(source)]

    def clear(self) -> None:
        """Forget everything: all sound was ended."""
        self._waiting.clear()
        for held, pedals in zip(self._held, self._pedals, strict=True):
            held.clear()
            pedals.clear()
