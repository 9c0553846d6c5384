"""Charts: read from text (`chart`), and their variants solved beforehand (`solved`)."""
