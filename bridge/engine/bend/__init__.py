"""Retuning by pitch bend: `bend`, with a channel for each offset, and `mpe`, the same inside zones.

`file` plans over a whole file (`planned`, `classes`, `overload`), `live` decides as notes come (`on_the_spot`,
`live_ranges`); both send through `router` and `bend_channels`. `options` holds what a player may ask for.
"""
