"""What a receiver asks of whoever makes the sound."""

from __future__ import annotations

from typing import Protocol

from bridge.sound.generator.channels import Note


class ToneMaker(Protocol):
    """What makes the sound. Every call comes from within `Receiver.feed`, in the order of the messages."""

    def start(self, note: Note) -> None:
        """Begin a note."""

    def release(self, note: Note) -> None:
        """Let a note die away as its voice does; when it has ended, call `Receiver.forget`."""

    def silence(self, channel: int) -> None:
        """End everything on a channel (drums too) as fast as can be without a click."""

    def retune(self, note: Note) -> None:
        """Go on at the frequency that the note has now."""

    def change_gain(self, channel: int) -> None:
        """Volume, expression or pan of a channel, or the master volume, has changed."""


class Silent:
    """A player that plays nothing."""

    def start(self, note: Note) -> None:
        """Do nothing."""

    release = retune = start

    def silence(self, channel: int) -> None:
        """Do nothing."""

    change_gain = silence
