"""What people look at, on paper or a screen: phrases, pictures and pages, from tables and sessions.

Everything here is made for a music stand: black on white, readable without colour and from an arm's length. The same
input gives the same bytes. Nothing is written to disk; jobs do that.

==================  ================================================================================
`phrases`           how a place on a string, a beat or a step of tuning is said
`shapes`            pictures as plain shapes in millimetres, and how they become SVG
`neck`              the fretboard: where frets and table agree
==================  ================================================================================

Nothing is imported here, so that importing one module does not load the others.
"""
