"""Sound files: `audiofile` reads what libsndfile knows, `wav` writes whole or not at all."""
