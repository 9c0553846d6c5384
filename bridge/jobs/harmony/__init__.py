"""Reading the harmony of MIDI files, following it, and telling what was found: between `bridge.harmony` and files.

Index
-----
`notes` a file's timed notes and bars · `palettes` what there is to choose from · `place` chosen variants as tables at
places of the file · `tell` finding out, `told` what is told about a piece
"""
