"""The desk: what keeps the player going, and what a person sees, types and asks of it.

`keeper` keeps the player going, `desk` acts, `typed` reads keys, `ear` and `listening` hear the reference string.
`labels` puts a player's state into words; `drawing` shows them in a thread of its own, on one of the `views`.
"""
