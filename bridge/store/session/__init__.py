"""Session files: `model` is the value, `new` writes a first one, `reading` reads it.

`reading` is helped by `finder` (what entries name), `synths` and `parts` (single entries).
"""
