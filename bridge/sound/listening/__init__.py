"""Pitch measurement: strings, voices and beats, in a take or live, by what `bridge.sound.analysis` computes.

`listen` goes through a take (`take`), `plucks` says which pluck of a string counts, `beating` compares two strings,
`meter` reads blocks as they come; `voice/` does all this for voices. `probe_ear` hears a held note move. What they tell
stands in `heard`, what they refuse in `refuse`.
"""
