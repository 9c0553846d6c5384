"""Chords of a table: `kinds` and their pure forms, their `names`, and how pure each is (`judged`)."""
