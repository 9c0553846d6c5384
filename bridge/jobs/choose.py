"""From what a person asked for to a table: names and texts become a `TableSpec`.

The rules (one meaning everywhere):

- A named table, shipped, own or a file, is where it starts; everything else that was asked for is laid over it.
- The home tonic is what was asked for, else the guitar's tonic, else the tonic.
- The reference is what was asked for, else the guitar's reference string (else the tonic nearest middle C) in equal
  temperament at A4 = 440 Hz.
- A take (`reference_from`, `as_tuned`) is listened to last, on the open strings; a reference that was asked for besides
  says about where to listen.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from bridge.errors import ValueProblem
from bridge.jobs.hearing import reference_in_take, tuned_in_take
from bridge.store.descriptions import load_guitar, load_scale, load_table
from bridge.tuning.as_tuned import AsTuned
from bridge.tuning.notes import parse_note, parse_tonic
from bridge.tuning.ratios import parse_ratio
from bridge.tuning.reference import default_reference, parse_reference
from bridge.tuning.scales import parse_degree_change
from bridge.tuning.spec import TableSpec

DEFAULT_SCALE = "five-limit"


@dataclass(frozen=True)
class TableRequest:
    """A table as asked for; every field is the text a person wrote, or None.

    Attributes
    ----------
    table : str or None
        Name or path of a table.
    guitar, scale : str or None
        Names or paths.
    tonic, home : str or None
        Note names without octave.
    reference : str or None
        Such as ``D3=146.5``, ``A4=438``, ``D3-7c`` or ``D3-7c@442``.
    fret : int or None
        Capo or barre.
    slide : str or None
        A ratio such as ``4/3``.
    degrees : tuple of str
        Changes such as ``b7=7/4``.
    pins : tuple of str
        Single notes held at a frequency, such as ``F#3=183.1`` (hertz).
    open_strings_win : bool
        Whether the strings' keys and their octaves follow the guitar.
    reference_from, as_tuned : str or None
        Sound files: one to hear the reference from, one to hear all strings from.
    """

    table: str | None = None
    guitar: str | None = None
    scale: str | None = None
    tonic: str | None = None
    home: str | None = None
    reference: str | None = None
    fret: int | None = None
    slide: str | None = None
    degrees: tuple[str, ...] = ()
    pins: tuple[str, ...] = ()
    open_strings_win: bool = False
    reference_from: str | None = None
    as_tuned: str | None = None


def parse_pin(text: str) -> tuple[int, float]:
    """Read ``F#3=183.1`` as a MIDI key and a frequency in hertz.

    Raises
    ------
    ValueProblem
        The text is not a note, ``=`` and a frequency, or lies outside 1 to 20,000 Hz.
    """
    note, sign, value = text.partition("=")
    if not sign:
        raise ValueProblem(f"{text!r} holds no note at a frequency", "write a note and Hz, such as F#3=183.1")
    key = parse_note(note.strip())
    try:
        hz = float(value.strip().removesuffix("Hz").strip())
    except ValueError:
        raise ValueProblem(f"{value.strip()!r} is no frequency in Hz", "such as F#3=183.1") from None
    if not 1.0 <= hz <= 20000.0:
        raise ValueProblem(f"{text!r}: {hz:g} Hz is outside 1 to 20,000 Hz", "Hz, not cents?")
    return key, hz


def choose_table(request: TableRequest) -> TableSpec:
    """Make the description of a table from what was asked for.

    Raises
    ------
    ValueProblem
        A text is malformed or out of range, or nothing says which note the scale is built on.
    InputProblem
        A named description or a take is missing or broken, or a take does not hold what is looked for.
    TuningProblem
        A table as tuned is asked for without a guitar, or a string is too far from its note.
    """
    return choose_tuned(request)[0]


def choose_tuned(request: TableRequest) -> tuple[TableSpec, AsTuned | None]:
    """Make the description of a table, and tell how the strings stand where they were listened to.

    Returns
    -------
    (spec, tuned)
        `tuned` is None unless `as_tuned` was asked for. Raises as `choose_table`.
    """
    spec = load_table(request.table) if request.table is not None else _new_spec(request)
    if request.table is not None:
        spec = _lay_over(spec, request)
    changes = tuple(parse_degree_change(text) for text in request.degrees)
    pins = [parse_pin(text) for text in request.pins]
    spec = replace(
        spec.with_degrees(changes),
        fret=spec.fret if request.fret is None else request.fret,
        slide=spec.slide if request.slide is None else parse_ratio(request.slide),
        open_strings_win=spec.open_strings_win or request.open_strings_win,
    )
    spec, tuned = _by_ear(spec, request)
    return spec.with_keys(pins), tuned


def _by_ear(spec: TableSpec, request: TableRequest) -> tuple[TableSpec, AsTuned | None]:
    """Lay over what a take tells."""
    if request.reference_from is not None and request.as_tuned is not None:
        raise ValueProblem(
            "--reference-from and --as-tuned were both asked for",
            "a take of all strings holds the reference too: --as-tuned alone will do",
        )
    if request.reference_from is not None:
        named = request.reference is not None
        return replace(spec, reference=reference_in_take(request.reference_from, spec, named)), None
    if request.as_tuned is not None:
        tuned = tuned_in_take(request.as_tuned, spec)
        return tuned.spec, tuned
    return spec, None


def _new_spec(request: TableRequest) -> TableSpec:
    guitar = load_guitar(request.guitar) if request.guitar else None
    scale = load_scale(request.scale or DEFAULT_SCALE)
    tonic = parse_tonic(request.tonic) if request.tonic else None
    home = parse_tonic(request.home) if request.home else guitar.tonic if guitar else tonic
    if home is None:
        raise ValueProblem(
            "nothing says which note the scale is built on",
            "say --tonic D, or --guitar open-d, or name a table",
        )
    reference = parse_reference(request.reference) if request.reference else default_reference(home, guitar)
    where = guitar.name if guitar else f"{home}"
    return TableSpec(
        name=f"{where}-{scale.name}" if scale.name != DEFAULT_SCALE or not guitar else where,
        scale=scale,
        home=home,
        tonic=tonic or home,
        reference=reference,
        guitar=guitar,
    )


def _lay_over(spec: TableSpec, request: TableRequest) -> TableSpec:
    """Lay over a named table what was asked for beside it."""
    if request.scale:
        spec = replace(spec, scale=load_scale(request.scale))
    if request.guitar:
        guitar = load_guitar(request.guitar)
        spec = replace(spec, guitar=guitar, home=guitar.tonic, tonic=guitar.tonic)
    if request.home:
        home = parse_tonic(request.home)
        spec = replace(spec, home=home, tonic=home)
    if request.tonic:
        spec = replace(spec, tonic=parse_tonic(request.tonic))
    if request.reference:
        spec = replace(spec, reference=parse_reference(request.reference))
    return spec
