"""A first session file: complete, valid, and with a comment on everything that can be said in it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import PurePosixPath

_HEAD = """\
# A session for Stillbeat: the pieces of a rehearsal, lesson or concert in order.
# Everything after a # is a comment; take it away where you want to use a line.
# tables/README.md, section "Session files", explains every entry. Then:
#   stillbeat session check {file}
#   stillbeat session build {file} -o {stem}-bundle

schema = 1
title = {title}

# What holds for every piece that does not say otherwise. The reference is what one note really sounds: in hertz, or
# as a tuner shows it, such as "D3-7c", or "D3-7c@442" if the tuner is set to 442.
{guitar}
{reference}
{reference_from}  # or heard in a recording of the reference string, in this folder; instead,
#   as_tuned = "takes/strings.wav"     # all strings as they are, plucked one by one in a recording
# reference_how = "measured on the fourth string, just before we began"
# scale = "five-limit"
# notes = "For everybody: doors at seven."

# Players of transposing instruments, who are told their own tonics.
# transposing = ["Bb", "Eb", "F"]

# Pages to print for every piece and for the whole session.
{pages}
paper = "a4"                     # or "letter"

# A held sound for those without a synth: degrees above the tonic ("1", "5", "b7"), an interval ("third") or notes
# ("D2"), as `stillbeat drone` reads them.
[drone]
notes = ["1", "5"]
voice = "tenor"                  # who sings to it: bass, tenor, alto, soprano; or octave = 2, where degree 1 stands
seconds = 30
sound = "organ"                  # organ, flute, pipe, reed; accordion, strings, choir, pad waver and hide beats

# Everything again so many cents lower and higher, for when the guitar will not hold its pitch; 0 for none.
[trims]
range_cents = 20
step_cents = 5
tracks = true                    # the backing tracks as well

# How `stillbeat play --session` is led; controllers are what a foot switch sends.
[play]
# input = "keyboard"             # part of the name of the port that is played
#   two keyboards: ["left: keys C2-B3, octave +1", "right: channel 2, velocity 90"]
control_channel = 16             # program changes there choose a piece
# next_controller = 80
# previous_controller = 81
# feet = ["66=listen", "program 5=undo", "key A0=drone"]
# mic = "part of the microphone's name"
# card = "usual"                 # play on the sound card, not on a synth's port: usual, or part of its name
on_change = "now"                # now, next (leave sounding notes) or glide
"""

_SYNTHS = """

# The synths of the evening. `stillbeat tables synths` lists the profiles that there are.
"""

_NO_SYNTH = """\

# [[synths]]
# name = "keys"                  # how files and pieces call it
# profile = "fluidsynth"
# port = "Keys MIDI 1"           # part of the name of its MIDI port
# programs = "1-16"              # tuning programs that may be overwritten
# method = "auto"                # or note, octave, dump, bend, mpe
"""

_SYNTH = """\

[[synths]]
name = {name}
profile = {profile}
# port = "part of its name"      # its MIDI port
# programs = "1-16"              # tuning programs that may be overwritten, if not all of them
# method = "auto"                # or note, octave, dump, bend, mpe
"""

_PIECES = """

# The pieces in order. Without a tonic they are in the guitar's.
"""

_PIECE = """\

[[pieces]]
title = {title}
{track}
{tonic}# tonic = "A"                    # takes its pitch from home, so nothing drifts
# capo = 2                       # and where it was measured with the capo on: sounding = "E3=164.9"
# degrees = {{ b7 = "7/4" }}       # degrees replaced in this piece
# drone = ["D2", "A2"]           # another than the session's; false for none
# chords = ["I", "ii7", "V7"]    # what is played, for the page: by degree, or by name such as "Em7"
# notes = "For the players: second time quiet."

# [[pieces.sections]]            # where the table changes; bars count from 1, a pickup is bar 1
# bar = 17
# title = "Middle part"
# tonic = "G"
# degrees = {{ 2 = "10/9" }}
# chords = ["ii", "V"]
"""


def new_session_text(
    file: str,
    title: str,
    guitar: str | None = None,
    reference: str | None = None,
    synths: Sequence[str] = (),
    tracks: Sequence[str] = (),
    take: str | None = None,
    no_pages: str = "",
) -> str:
    """Return the text of a session file that can be read at once and filled in.

    Parameters
    ----------
    file : str
        Its name, for the comments.
    title : str
        Of the session.
    guitar, reference : str, optional
        As they are to be written.
    tracks : sequence of str
        Backing tracks as paths from the folder of the file, with ``/``; a piece for each, or one without a track.
    take : str, optional
        A recording of the reference string, as a path from the folder of the file.
    no_pages : str
        What installs what pages to print need, where it is missing: then none are asked for.
    """
    stem = file.removesuffix(".toml").removesuffix(".session")
    parts = [
        _HEAD.format(
            file=file,
            stem=stem,
            title=_text(title),
            pages=f"pages = false  # for pages first: {no_pages}" if no_pages else "pages = true",
            guitar=f"guitar = {_text(guitar)}" if guitar else '# guitar = "open-d"',
            reference=f"reference = {_text(reference)}" if reference else '# reference = "D3=146.5"',
            reference_from=f"reference_from = {_text(take)}"
            if take
            else '# reference_from = "takes/string.wav"',
        ),
        _SYNTHS,
    ]
    taken: set[str] = set()
    for profile in synths:
        base = PurePosixPath(profile.replace("\\", "/")).name.removesuffix(".toml")
        name = next(one for one in (base, *(f"{base}-{n}" for n in range(2, 999))) if one not in taken)
        taken.add(name)
        parts.append(_SYNTH.format(name=_text(name), profile=_text(profile)))
    if not synths:
        parts.append(_NO_SYNTH)
    parts.append(_PIECES)
    titles: set[str] = set()
    for track in tracks or ("",):
        base = _title(track) if track else "First piece"
        shown = next(
            one for one in (base, *(f"{base} {n}" for n in range(2, 9999))) if one.lower() not in titles
        )
        titles.add(shown.lower())
        parts.append(
            _PIECE.format(
                title=_text(shown),
                track=f"track = {_text(track)}" if track else '# track = "tracks/first-piece.mid"',
                tonic="" if guitar else 'tonic = "D"\n',
            )
        )
    return "".join(parts)


def _title(track: str) -> str:
    """Make a title of the name of a file: ``tracks/two_strings-down.mid`` is ``Two strings down``."""
    words = PurePosixPath(track).stem.replace("_", " ").replace("-", " ").split()
    text = " ".join(words) or "Piece"
    return text[0].upper() + text[1:]


def _text(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")
