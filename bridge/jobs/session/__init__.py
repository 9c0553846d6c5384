"""Whole sessions: from a session's file to a folder to hand out, and back.

`plan` says what a session needs; `build` has it made (`piece`, `synth`, `sound`, `paper`) by `workers` into a `folder`
with a `manifest`; `reading_back` compares it with the session. `start` writes a first session, `check` looks through
one.
"""
