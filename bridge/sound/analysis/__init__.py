"""What is computed from a stretch of sound: spectra, partials, how a pitch moves, where strings are plucked.

`spectrum` finds peaks, `comb` guesses a string's pitch from them; `partials` fits all partials of a pluck (`blocks`,
`lines`, `drift`, `stiff_string`), `ringing` what sounded on before it. `contour` follows a pitch that moves, `onsets`
finds plucks, `ceiling` finds clipping.
"""
