"""The player: ports, engine and time in a process of its own (`process`), which the desk can replace at any moment.

`player` is its heart; `connections` keeps both ends, `outlet` sends what is due, `journal` outlives a crash.
"""
