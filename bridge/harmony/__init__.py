"""What sounds together: chords, keys, how sour, and the variants that make it pure.

A pure room: a table and timed notes go in, nothing of bytes, files, clocks or threads. Nothing is imported here; ask
the module that has what is wanted.

The way through
---------------
1. Make notes: `notes.TimedNote` (seconds, key, velocity, part; the pedal counted, drums left out), in order by
   `notes.sorted_notes`. Bars are the times at which they begin.
2. Hear: ``hear.hear(notes, bar_starts_s, guitar_tonic)`` → tonic and mode (and whether they are sure), changes of key,
   chords.
3. Measure a table: ``measure.measure(notes, measure.fixed_hz(notes, table.hz), bar_starts_s)`` → share, sourness,
worst
   interval with its beats, by bar. ``advice.advise(notes, table, bar_starts_s, heard)`` → a better tonic, changes at
   bars.
4. Follow: ``palette = variants.palette_of(table, own_tonic, pinned, held, natural_sevenths)`` is what there is to
choose
   from; `held` are the classes of a drone or of a player's own pins. Where tables change inside a piece, give
   ``[follow.Stretch(start_s, palette), …]``. ``follow.follow(notes, palette, follow.FollowOptions(moves=…))`` →
   `Following`: `offsets_cents`, one for each note, to be added to the table's own pitch; `variants`, one for each of
   `segments`; `before` and `after`, measured; `followed` and `why`. Where messages move tails that still ring, pass
   ``slop_s=0``.
5. Say why: ``reasons.explain(following, bar_starts_s)`` → for every bar that is not pure, typed reasons with a
sentence;
   ``reasons.moved_notes(following)``; ``forms.alternatives(palette, sounding, pitch_class)`` with the frets' distance.
6. Tell: ``report.chord_rows(…)`` → rows of a chart with cure, ``report.sour_lines(rows)``, ``report.summary(advice,
   following)``.
7. Charts: ``chart.parse_chart(text)`` → bars of `chord_words.ChordName`; ``chart_follow.follow_chart(chart,
palette)`` →
   variants of each chord, solved beforehand; ``chart_follow.chart_notes(chart, bar_starts_s)`` → the same notes as in
   1.

Modules from the bottom up
--------------------------
`notes`, `segments`, `intervals` : what is counted · `measure` : how pure · `variants` : what to choose from ·
`costs`, `search`, `follow` : the choice · `forms`, `reasons` : why not purer · `spelling`, `chord_words`, `chart`,
`chart_follow` : chords by name · `keys`, `chords_heard`, `hear` : what is heard · `advice`, `report` : what to tell
"""
