"""Decisions, and nothing else: (state, event, time) to messages, each with the time it is due.

No thread, clock, port or file lives here. Times are seconds as floats, handed in by whoever drives the engine.
Messages are whole MIDI messages as bytes.
"""
