"""Formats and nothing else: TOML descriptions, Standard MIDI Files, SysEx files, CSV and JSON.

Nothing here decides what to play or opens a port. Files are read whole and checked; output is written whole or
not at all.
"""
