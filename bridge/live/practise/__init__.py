"""Practising the ear, live: sounds, keys, what is seen, and the course of a run."""
