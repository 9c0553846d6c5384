"""The chart of a piece: its chords bar by bar, and how pure each is under a table."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from bridge.errors import ValueProblem
from bridge.harmony.asked import FollowRequest
from bridge.jobs.harmony.charts import chart_file, chart_from, music_of_chart
from bridge.jobs.harmony.tell import tell
from bridge.jobs.harmony.told import Told
from bridge.jobs.retune import listen_to
from bridge.jobs.retuned import RetuneRequest
from bridge.store.files import read_bytes
from bridge.store.smf import parse_midi
from bridge.tuning.changes import Change
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import build_table

_MIDI = (b"MThd", b"RIFF")
_TEXT_ENDINGS = (".txt", ".chart", ".md")


def chart_piece(
    piece: str,
    spec: TableSpec,
    at: Sequence[Change] = (),
    follow: FollowRequest | None = None,
    chart: str | None = None,
) -> list[Told]:
    """Return what is known of a piece, one record for each sequence of its file.

    Parameters
    ----------
    piece : str
        A MIDI file, a chart as text, or a text file that holds one.
    spec : TableSpec
        The table that it starts with.
    at : sequence of Change
        Changes by bar; only in a MIDI file.
    follow : FollowRequest, optional
        How its harmony is followed.
    chart : str, optional
        The chords of a MIDI file, as text or a file, instead of what is heard.
    """
    path = Path(piece) if "|" not in piece and "\n" not in piece else None
    if path is not None and (os.path.isfile(path) or path.suffix):
        data = read_bytes(path)
        if data[:4] in _MIDI or path.suffix.lower() not in _TEXT_ENDINGS:
            written = chart_from(chart) if chart else None
            request = RetuneRequest(spec=spec, at=tuple(at), follow_harmony=follow, chart=written)
            return listen_to(parse_midi(data, path.name), request)
        found = chart_file(path)
    else:
        found = chart_from(piece)
    if chart:
        raise ValueProblem("--chart was asked for beside a chart", "leave one of them out")
    if at:
        raise ValueProblem("--at was asked for with a chart alone", "changes at bars need a MIDI file")
    table = build_table(spec)
    return [tell(music_of_chart(found.moved(spec.transposed, table.tonic)), [(0, table)], follow)]
