"""The page beside what plays, on a real JACK server: what it shows, what it asks, and that no note notices."""

from __future__ import annotations
