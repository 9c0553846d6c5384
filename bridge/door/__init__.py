"""The door for Python: the command's words as keywords, and the objects and ports of mido.

Everything here asks the commands' own parsers, so that a word means the same through every door. What a Python user
needs is named in `bridge` itself.

Index: `words` (keywords to what was asked for) · `files` (tables, files, takes) · `output` and `inputs` (ports as mido
has them) · `playing` (a player in this process).
"""
