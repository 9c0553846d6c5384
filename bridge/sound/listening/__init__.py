"""Pitch measurement: strings, voices and beats, in a take or live.

`listen` goes through a take (`onsets`, `take`, `partials`, `ringing`), `beating` compares two strings, `meter` reads
blocks as they come, `voice` follows one line, `probe_ear` hears a held note move. What they tell stands in `heard`,
what they refuse in `refuse`.
"""
