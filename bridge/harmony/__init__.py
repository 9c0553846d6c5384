"""What sounds together: chords, keys, how sour, and the variants that make it pure."""
