"""Learning to hear stillness: what is compared, trials, thresholds, what was sung. No sound, no screen."""
