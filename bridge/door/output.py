"""A mido output port that retunes what is sent to it, live."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Unpack

from mido.ports import BaseOutput

from bridge.door.inputs import system_title
from bridge.door.playing import Seat, seat_for
from bridge.door.problems import as_mido_expects
from bridge.ports.base import NEW_PORT

if TYPE_CHECKING:
    import mido

    from bridge.door.words import PlayWords


class PureOutput(BaseOutput):  # type: ignore[misc]  # mido is not typed
    """A mido output port whose synth plays in tune with the guitar.

    It is what `bridge.open_output` and, with the backend `bridge.mido_backend`, `mido.open_output` return. Send it
    messages as to any mido port. The synth gets the table when the port is opened, and its own tuning back when it is
    closed; closing also lets go of all notes. So does the end of the program, unless it is killed.

    Threads: any thread may send; a message is answered in the thread that sends it. One more thread, a daemon, keeps
    time for what has to come later (see `bridge.door.playing`).

    Parameters
    ----------
    name : str or None
        Part of the synth's port's name; None: the first port that there is.
    virtual : bool
        Make a port of our own that a synth is connected to; `name` then holds what others see.
    autoreset : bool
        Let go of everything by messages before the port is closed, as mido does; it happens anyway.
    api : str, optional
        MIDI system, as mido's backends take it: ``UNIX_JACK``.
    words
        The command's words (`bridge.door.words.PlayWords`). Without any, the environment variable ``STILLBEAT_PLAY``
        holds the command's options.

    Raises
    ------
    StillbeatError
        Nothing says how the guitar is tuned, or the words make no table.
    OSError
        The port is missing or refuses (a `PortProblem` too).
    """

    name: str | None

    def _open(
        self,
        virtual: bool = False,
        api: str | None = None,
        client_name: str | None = None,
        callback: object = None,
        **words: Unpack[PlayWords],
    ) -> None:
        made = virtual or client_name is not None
        with as_mido_expects():
            self._seat: Seat = seat_for(NEW_PORT if made else self.name or None, words, system_title(api))
        self.name = self._seat.name
        self._device_type = f"Stillbeat/{self._seat.plan.method}"

    def _send(self, message: mido.Message) -> None:
        if self._seat.closed:  # while this message waited for its turn
            raise ValueError("send() called on closed port")
        with as_mido_expects():
            self._seat.send(bytes(message.bin()))

    def panic(self) -> None:
        """End all sound whatever it is. The table holds on: what is played next is in tune."""
        if not self.closed:
            with self._lock:
                self._seat.panic()

    def change(self, **words: Unpack[PlayWords]) -> None:
        """Play by another table from now on, such as ``change(tonic="A")``; notes that sound move if they can.

        The words are laid over those that the port was opened with. Method and synth stay as they are.

        Raises
        ------
        StillbeatError
            The words make no table that this synth can play; then nothing has changed.
        """
        if self.closed:
            raise ValueError("change() called on closed port")
        with self._lock:
            self._seat.change(dict(words))

    def _close(self) -> None:
        self._seat.close()


def open_output(name: str | None, virtual: bool, words: Any) -> PureOutput:
    """Return an open port (see `bridge.open_output`)."""
    return PureOutput(name, virtual=virtual, **words)
