"""The desk: what starts and watches the player, what a person sees, types and asks of it.

`supervise` runs the player's process; `display`, `drone_display` and `tuner_display` draw on a `screen`; `typed` reads
keys; `listening` and `ear` hear the reference string.
"""
