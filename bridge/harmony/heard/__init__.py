"""What is heard in a piece: `keys`, chords bar by bar (`chords`), and both (`hear`)."""
