"""Whole jobs on files, from reading to writing: choosing a table, retuning, exporting, reading back, rendering.

A job takes values, does the work and returns a record of what it did; it prints nothing.
"""
