"""Tuning the strings of a guitar: the `order` of steps, what each `aims` at, the `nodes` to touch, and `advice`."""
