"""MIDI ports: what a keyboard plays into and a synth listens on.

- `base`: what a system of ports and a port can do, whatever stands behind it.
- `rtmidi_ports`: the real ones, through either of two Python libraries.
- `library`: what such a library must do, and which is used; `by_python_rtmidi` and `by_rtmidi2`: the two, each the only
  module of the project that imports it, and only when asked.
- `pick`: a port by part of its name, with what is ambiguous or nearly right.
- `diagnose`: why there are no ports, and what to do about it.
- `jack_library`: JACK's C library, for what must not hold the interpreter while a server is waited for.
- `jack_watch`: word of a JACK server's death, before a message to it hangs.
"""
