"""Whole sessions: from a session's file to a folder to hand out, and back.

`plan` says what a session needs; `build` has it made (`piece`, `synth`, `sound`, `pages`, `text`) by `workers` into a
`folder` with a `manifest`; `verify` reads it back (`checks`, `read`, `hear`). `start` writes a first session, `check`
looks through one.
"""
