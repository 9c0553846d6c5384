"""What sounds together: chords, keys, how sour, and the variants that make it pure.

A pure room: a table and timed notes go in, nothing of bytes, files, clocks or threads. Nothing is imported here; ask
the module that has what is wanted.

The way through
---------------
1. *Notes.* `notes.TimedNote` has seconds, key, velocity and part, the pedal counted, drums left out; put them in order
   with `notes.sorted_notes`. Bars are the times at which they begin.
2. *Hear.* ``hear.hear(notes, bar_starts_s, guitar_tonic)`` gives tonic and mode, whether they are sure, changes of key,
   and chords.
3. *Measure a table.* ``measure.measure(notes, measure.fixed_hz(notes, table.hz), bar_starts_s)`` gives the share of
   pure intervals, the worst with its beats, and the same by bar. ``advice.advise(notes, table, bar_starts_s, heard)``
   gives a better tonic, or changes at bars.
4. *Follow.* ``variants.palette_of(table, own_tonic, pinned, held, natural_sevenths)`` is what there is to choose from;
   `held` are the classes of a drone or of a player's own pins. ``follow.follow(notes, palette, options)`` gives a
   `Following`: `offsets_cents`, one for each note, to be added to the table's own pitch; `variants`, one for each of
   `segments`; `before` and `after`, measured; `followed` and `why`. Where the table changes inside a piece, give a list
   of ``follow.Stretch(start_s, palette)`` instead. Where messages also move tails that still ring, ask for
   ``FollowOptions(slop_s=0)``.
5. *Say why.* ``reasons.explain(following, bar_starts_s)`` gives for every bar that is not pure its reasons, typed and
   as a sentence; ``reasons.moved_notes(following)`` lists what moves; ``forms.fret_of(palette, pitch_class,
   offset_cents)`` says how far the fret lies from a variant. ``variants.string_pins`` names strings that lie beside
   every variant. ``equal_chords.keep_equal(following)`` may be offered for chords that no choice makes pure.
6. *Tell.* ``report.chord_rows`` gives the rows of a chart with their cures, ``report.sour_lines`` the sour bars in
   words, ``report.summary`` a piece in two lines.
7. *Charts.* ``chart.parse_chart(text)`` gives bars of `ChordName`; ``solved.follow_chart(chart,
   palette)`` the variants of each chord, solved beforehand; ``solved.chart_notes`` the same notes as in 1.
8. *While it is played.* ``on_the_spot.OnTheSpot(palette, window_s)`` takes strokes and ends as they come, and gives the
   variant of each note and the corrections of others that have only just begun.

Modules from the bottom up
--------------------------
- what is counted: `notes`, `segments`, `intervals`, `measure`
- `heard`: keys and chords of a piece
- `choice`: the variants, what they cost, and which are taken, for a whole piece or as it is played
- `why`: why it is not purer
- `charts`: chords by name
- `told`: what to tell of it
"""
