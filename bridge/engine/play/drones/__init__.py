"""Drones: what sounds on beside the notes that are played.

`held` follows the tables under a keyboard, `chart` the chords of a chart; `planned` plays what a `plan` says.
`messages` is what they have in common, `sounds` the list of their sounds for every door.
"""
