"""What commands are made of, and no command itself.

`registry` lists the commands; `options` are those that several of them share, `page_options` those of a page beside;
`printing` and `paragraphs` write to the terminal. `go_on`, `microphones` and `old_words` serve commands that play and
listen, `as_tuned` and `chords` print for `table`.
"""
