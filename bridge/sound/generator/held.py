"""Which notes a key or a pedal holds: struck, held on, let go, forgotten once they have died away.

A key struck again lets go of its note before. Sustain (64) holds every note, sostenuto (66) those that were down when
it went down. Strokes on the drum kit are never held.
"""

from __future__ import annotations

from bridge.sound.generator.channels import PEDAL_DOWN, Channel, Note
from bridge.sound.generator.tone_maker import Silent, ToneMaker


class Held:
    """Strikes notes of a tone maker, and lets go of them in time; without one, they end at once."""

    def __init__(self, maker: ToneMaker | None) -> None:
        self._maker: ToneMaker = maker if maker is not None else Silent()
        self._keeps_released = maker is not None

    def strike(self, channel: Channel, note: Note) -> None:
        """Begin a note."""
        if not note.drums:
            for other in list(channel.notes):
                if other.key == note.key and not other.releasing:
                    self.let_go(channel, other)
            channel.notes.append(note)
        self._maker.start(note)

    def lift(self, channel: Channel, key: int) -> None:
        """Take the finger off a key."""
        for note in list(channel.notes):
            if note.key == key and note.down:
                note.down = False
                self._perhaps_let_go(channel, note)

    def let_go(self, channel: Channel, note: Note) -> None:
        """Let a note die away, whatever holds it."""
        note.down = False
        note.releasing = True
        self._maker.release(note)
        if not self._keeps_released:
            self.forget(channel, note)

    def _perhaps_let_go(self, channel: Channel, note: Note) -> None:
        if not (note.down or note.releasing or channel.sustain or (note.sostenuto and channel.sostenuto)):
            self.let_go(channel, note)

    def forget(self, channel: Channel, note: Note) -> None:
        """Take back a note that has ended."""
        if note in channel.notes:
            channel.notes.remove(note)

    # -- controllers, with their value

    def sustain(self, channel: Channel, value: int) -> None:
        """Move the sustain pedal (64)."""
        channel.sustain = value >= PEDAL_DOWN
        self.pedals_moved(channel)

    def sostenuto(self, channel: Channel, value: int) -> None:
        """Move the sostenuto pedal (66)."""
        down = value >= PEDAL_DOWN
        if down and not channel.sostenuto:
            for note in channel.notes:
                note.sostenuto = note.down
        channel.sostenuto = down
        self.pedals_moved(channel)

    def pedals_moved(self, channel: Channel) -> None:
        """Let go of what no pedal holds any more."""
        for note in list(channel.notes):
            self._perhaps_let_go(channel, note)

    def all_notes_off(self, channel: Channel, value: int) -> None:
        """Take every finger off (123 to 127); pedals still hold."""
        for note in list(channel.notes):
            note.down = False
            self._perhaps_let_go(channel, note)

    def all_sound_off(self, channel: Channel, value: int) -> None:
        """End everything on a channel (120), drums too."""
        for note in list(channel.notes):
            note.down = False
            note.releasing = True
            if not self._keeps_released:
                self.forget(channel, note)
        self._maker.silence(channel.number)
