"""What of a bundle is read by people, on paper or screen.

`sheets` is the content of each piece's pages and `retuning` that of turning pegs between pieces; `pages` prints them.
`panel` is the synths' panels by number, `text` the page that says where to start.
"""
