"""What people look at, on paper or a screen: phrases, pictures and pages, from tables and sessions.

Everything here is made for a music stand: black on white, readable without colour and from an arm's length. The same
input gives the same bytes. Nothing is written to disk; jobs do that.

==================  ================================================================================
`phrases`           how a place on a string, a beat or a step of tuning is said
`shapes`            pictures as plain shapes in millimetres, and how they become SVG
`neck`              the fretboard: where frets and table agree
`keyboard`          an octave of a keyboard: how far each note lies from a tuner's
`records`           what a sheet is made of, for those who make one
`content`           from records to a document
`document`          headings, paragraphs, grids and pictures, whatever shows them
`html`              sheets as HTML (`page.html.jinja`, `page.css`: its form); needs jinja2
`paper`             sheets as PDF, SVG and PNG (`page.typ`: their form); needs typst
`letters`           which letters there are on paper, and what stands for others
`needs`             the libraries that only sheets need, or a word on how to get them
==================  ================================================================================

Nothing is imported here, so that importing one module does not load the others.
"""
