"""What of sounddevice is used, for a child process: one sound card, which writes what it plays into a file.

The file is named by ``STANDIN_SOUND``: float32, two channels, 48000 Hz, blocks of ten milliseconds as time goes by.
``STANDIN_BREAKS`` names the function that ends the whole process, as PortAudio does with some settings.
"""

import os
import threading
import time
from types import SimpleNamespace

import numpy as np

RATE = 48_000
FRAMES = 480
default = SimpleNamespace(device=[-1, 0])
_initialized = 1


class PortAudioError(Exception):
    """As sounddevice's."""


def _broken(name):
    if os.environ.get("STANDIN_BREAKS") == name:
        os.abort()


def query_hostapis():
    _broken("query_hostapis")
    return ({"name": "Stand-in", "default_output_device": 0},)


def query_devices():
    return [{"name": "Speakers", "hostapi": 0, "max_output_channels": 2, "default_samplerate": float(RATE)}]


def _terminate():
    global _initialized
    _initialized -= 1


def _initialize():
    global _initialized
    _initialized += 1


def _exit_handler():
    """PortAudio's end."""


class OutputStream:
    latency = 0.003

    def __init__(self, *, callback, **_):
        _broken("OutputStream")
        self._callback, self._over = callback, threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self):
        self._thread.start()

    def _run(self):
        out = np.zeros((FRAMES, 2), np.float32)
        due_s = time.monotonic()
        with open(os.environ["STANDIN_SOUND"], "ab", 0) as file:
            while not self._over.is_set():
                self._callback(out, FRAMES, None, None)
                file.write(out.tobytes())
                due_s += FRAMES / RATE
                self._over.wait(max(0.0, due_s - time.monotonic()))

    def abort(self):
        self._over.set()
        self._thread.join()

    def close(self):
        """Nothing is left."""
