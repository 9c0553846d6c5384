"""What commands are made of, and no command itself.

`registry` lists the commands; `options` are those that several of them share; `printing` and `paragraphs` write to the
terminal. `go_on` and `microphones` serve commands that play and listen, `as_tuned` and `chords` print for `table`.
"""
