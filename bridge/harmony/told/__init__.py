"""What is told of a piece: a better tonic or cures (`advice`), its sour chords and a summary (`report`)."""
