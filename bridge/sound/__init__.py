"""Sound: the built-in tone generator, audio out, and pitch measurement.

The tone generator is a MIDI receiver that obeys every tuning method of this project and needs no soundfont and
no hardware. Bytes go in at one end and samples come out at the other:

=================  ==================================================================================
`tunings`          tuning programs: what MIDI Tuning messages store, and what a dump request answers
`receiver`         sixteen channels: notes, pedals, controllers, RPNs, MPE zones, resets
`channels`         the state of a channel and of a note
`player`           what the receiver asks of whoever makes the sound
`voices`           the voices: which partials, how they decay, which voice a program number picks
`wavetables`       single cycles of those partials, band-limited for the pitch that they are played at
`oscillators`      all sounding partials at once: exact phase, envelopes, mixing to stereo
`drums`            a small kit, synthesised
`limiter`          keeps live sound below a ceiling without bending the waveform
`generator`        `Generator`: receiver and oscillators together; ``feed`` bytes, take a ``block``
`render`           whole pieces to an array or a sound file
`wav`              sound files, written whole or not at all
`mixer`            live sound: a queue, the generator and a fader, without a sound card
`output`           the same on a sound card
`outputs`          the sound outputs of this computer, by name
=================  ==================================================================================

Pitch goes the other way in `listen` and the modules that it names: from recorded sound to the notes in it.

Nothing is imported here, so that importing one module does not load the others.
"""
