"""Sound: the built-in tone generator, audio in and out, and pitch measurement.

=============  ======================================================================================
`generator`    a MIDI receiver that obeys every tuning method of this project, and the tones it plays
`render`       whole pieces to an array or a sound file, by that generator
`analysis`     what is computed from a stretch of sound: spectra, partials, contours
`listening`    from recorded or live sound to the notes in it
`files`        sound files: read, and written whole or not at all
`device`       microphones and sound cards of this computer
=============  ======================================================================================

Nothing is imported here, so that importing one module does not load the others.
"""
