"""Sounds that hide beats: General MIDI programs that are detuned, chorused, wavering or an ensemble by nature.

A pure third is heard by its stillness. A sound that wavers by itself never comes to rest, however well it is tuned, so
a player who wants to hear the tuning should know which parts cannot show it. What a program sounds like is up
to the synth; the list says what its name promises.

Source: *General MIDI System Level 1*, sound set (program names); the reasons are common practice.
"""

from __future__ import annotations

GM_PROGRAMS: tuple[str, ...] = tuple(
    """Acoustic Grand Piano,Bright Acoustic Piano,Electric Grand Piano,Honky-tonk Piano,Electric Piano 1,
Electric Piano 2,Harpsichord,Clavi,Celesta,Glockenspiel,Music Box,Vibraphone,Marimba,Xylophone,
Tubular Bells,Dulcimer,Drawbar Organ,Percussive Organ,Rock Organ,Church Organ,Reed Organ,Accordion,
Harmonica,Tango Accordion,Acoustic Guitar (nylon),Acoustic Guitar (steel),Electric Guitar (jazz),
Electric Guitar (clean),Electric Guitar (muted),Overdriven Guitar,Distortion Guitar,Guitar Harmonics,
Acoustic Bass,Electric Bass (finger),Electric Bass (pick),Fretless Bass,Slap Bass 1,Slap Bass 2,
Synth Bass 1,Synth Bass 2,Violin,Viola,Cello,Contrabass,Tremolo Strings,Pizzicato Strings,
Orchestral Harp,Timpani,String Ensemble 1,String Ensemble 2,Synth Strings 1,Synth Strings 2,Choir Aahs,
Voice Oohs,Synth Voice,Orchestra Hit,Trumpet,Trombone,Tuba,Muted Trumpet,French Horn,Brass Section,
Synth Brass 1,Synth Brass 2,Soprano Sax,Alto Sax,Tenor Sax,Baritone Sax,Oboe,English Horn,Bassoon,
Clarinet,Piccolo,Flute,Recorder,Pan Flute,Blown Bottle,Shakuhachi,Whistle,Ocarina,Lead 1 (square),
Lead 2 (sawtooth),Lead 3 (calliope),Lead 4 (chiff),Lead 5 (charang),Lead 6 (voice),Lead 7 (fifths),
Lead 8 (bass + lead),Pad 1 (new age),Pad 2 (warm),Pad 3 (polysynth),Pad 4 (choir),Pad 5 (bowed),
Pad 6 (metallic),Pad 7 (halo),Pad 8 (sweep),FX 1 (rain),FX 2 (soundtrack),FX 3 (crystal),
FX 4 (atmosphere),FX 5 (brightness),FX 6 (goblins),FX 7 (echoes),FX 8 (sci-fi),Sitar,Banjo,Shamisen,
Koto,Kalimba,Bag pipe,Fiddle,Shanai,Tinkle Bell,Agogo,Steel Drums,Woodblock,Taiko Drum,Melodic Tom,
Synth Drum,Reverse Cymbal,Guitar Fret Noise,Breath Noise,Seashore,Bird Tweet,Telephone Ring,Helicopter,
Applause,Gunshot""".replace("\n", "").split(",")
)
"""The 128 program names; index 0 is program 1 as printed on many instruments."""

_DETUNED = "its strings or reeds are detuned against each other"
_CHORUS = "it is usually chorused"
_TREMOLO = "its tremolo swells and fades"
_ENSEMBLE = "many players or voices never agree to the cent"
_LAYERS = "its layers are detuned against each other"
_SWIRL = "its rotating speaker or chorus swirls"

_WHY: dict[int, str] = {
    3: _DETUNED,
    4: _CHORUS,
    5: _CHORUS,
    11: _TREMOLO,
    15: _DETUNED,
    16: _SWIRL,
    17: _SWIRL,
    18: _SWIRL,
    20: _DETUNED,
    21: _DETUNED,
    23: _DETUNED,
    27: _CHORUS,
    44: _TREMOLO,
    **dict.fromkeys((48, 49, 52, 53, 55, 61), _ENSEMBLE),
    **dict.fromkeys((50, 51, 54, 62, 63), _LAYERS),
    **dict.fromkeys((81, 84, 85, 86, *range(88, 104)), _LAYERS),
    109: _DETUNED,
}

PLAINER = "a plucked string, an oboe, a clarinet or a church organ shows a tuning best"
"""What to say beside a warning."""


def hides_beats(program: int) -> str:
    """Return why a General MIDI program (0 to 127) hides beats; empty if it does not."""
    return _WHY.get(program, "")
