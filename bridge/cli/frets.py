"""``stillbeat frets``: where the frets and a table disagree, what goes with which chord, where a slide stands."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bridge.cli.parts.options import overwrite_option, table_options, warn_doubt

if TYPE_CHECKING:
    from bridge.jobs.choose import TableRequest
    from bridge.jobs.frets import FretStudy
    from bridge.tuning.chords.judged import Chord
    from bridge.tuning.fretboard import FretCell
    from bridge.tuning.spec import TableSpec


@click.command("frets")
@table_options(argument=True)
@click.option(
    "--to", "last_fret", type=click.IntRange(0, 24), metavar="N", help="Highest fret  [default: the last]"
)
@click.option(
    "--drone",
    metavar="NOTE",
    help="Note or NOTE=HZ to beat against, shown under the cents; none for no drone  [default: reference string]",
)
@click.option("--string", "number", type=int, metavar="N", help="One string as a list, with Hz and beats.")
@click.option(
    "--chord",
    "chords",
    multiple=True,
    metavar="NAME",
    help="Frets that go with a chord, such as G or ii7. Again.",
)
@click.option(
    "--chords", "all_chords", is_flag=True, help="The same for the triads on all degrees of the major scale."
)
@click.option("--barres", is_flag=True, help="Which table suits a barre at each fret.")
@click.option("--slides", is_flag=True, help="Where a slide stands for each pure interval, in frets and mm.")
@click.option(
    "--compensation",
    multiple=True,
    metavar="S:F=CENTS",
    help="String S was measured so much sharp at fret F, such as 6:12=+7. Again for more.",
)
@click.option(
    "--string-hz",
    multiple=True,
    metavar="S=HZ",
    help="What string S really sounds, open or with the capo on, such as 3=183.2. Again for more.",
)
@click.option(
    "--scale-length",
    "scale_length_mm",
    type=float,
    metavar="MM",
    help="Nut to saddle  [default: the guitar's]",
)
@click.option("--csv", "as_csv", is_flag=True, help="CSV for spreadsheets: every string at every fret.")
@click.option(
    "--svg",
    "svg_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Draw it into FILE, or one --chord. In a browser, point at a note for Hz and beats.",
)
@overwrite_option
def frets_command(
    request: TableRequest,
    last_fret: int | None,
    drone: str | None,
    number: int | None,
    chords: tuple[str, ...],
    all_chords: bool,
    barres: bool,
    slides: bool,
    compensation: tuple[str, ...],
    string_hz: tuple[str, ...],
    scale_length_mm: float | None,
    as_csv: bool,
    svg_file: Path | None,
    overwrite: bool,
) -> None:
    """Show where the frets and the table disagree, string by string.

    Frets are tempered, a table need not be: some frets go with it, some do not. A capo is --fret.

    \b
      stillbeat frets --guitar open-d --reference D3=146.5
      stillbeat frets --guitar open-d --chord G --chord A7 --barres --slides
      stillbeat frets --guitar open-g --svg neck.svg
    """
    from bridge.jobs.choose import choose_tuned
    from bridge.jobs.frets import common_chords, find_chords, frets_csv, guitar_of, study_frets

    asked = bool(chords or all_chords or barres or slides or number is not None)
    if as_csv and (asked or svg_file):
        raise click.UsageError("--csv stands alone: it lists every string at every fret")
    spec, tuned = choose_tuned(request)
    warn_doubt(spec.doubt)
    guitar = guitar_of(spec)
    if tuned is not None:
        from bridge.tuning.as_tuned import table_as_tuned

        heard = (string for string in table_as_tuned(tuned, spec).strings if string.number in tuned.measured)
        string_hz = (*(f"{string.number}={string.hz!r}" for string in heard), *string_hz)
    if number is not None:
        guitar.string(number)  # refuses a string that the guitar does not have
    if slides and not (chords or all_chords or barres or svg_file or number is not None):
        _print_slides(spec, scale_length_mm)
        return
    study = study_frets(spec, last_fret, drone=drone, compensation=compensation, string_hz=string_hz)
    found = find_chords(study.table, chords) + (common_chords(study.table) if all_chords else ())
    if as_csv:
        click.echo(frets_csv(study), nl=False)
        return
    if svg_file is not None:
        _write_svg(study, found, svg_file, scale_length_mm, overwrite)
        return
    if not asked:
        _print_head(study)
        _print_board(study, beats=drone is not None)
        return
    _print_head(study)
    if number is not None:
        _print_string(study, number)
    for chord in found:
        _print_chord(study, chord)
    if barres:
        _print_barres(spec)
    if slides:
        _print_slides(spec, scale_length_mm)


def _write_svg(
    study: FretStudy, chords: tuple[Chord, ...], path: Path, scale_length_mm: float | None, overwrite: bool
) -> None:
    from bridge.cli.parts.printing import show
    from bridge.jobs.frets import neck_of
    from bridge.sheet.shapes import picture_svg
    from bridge.store.files import write_bytes_atomic

    if len(chords) > 1:
        raise click.UsageError("a picture shows one --chord; draw the others into files of their own")
    picture = neck_of(study, chords[0] if chords else None, scale_length_mm)
    write_bytes_atomic(path, picture_svg(picture).encode("utf-8"), overwrite)
    show(str(path))


def _print_head(study: FretStudy) -> None:
    from bridge.cli.parts.paragraphs import show_paragraph
    from bridge.jobs.frets import heading_of

    show_paragraph(heading_of(study))


def _print_board(study: FretStudy, beats: bool) -> None:
    """Write the neck as a grid: a string in two or three lines, as many frets side by side as fit."""
    from bridge.cli.parts.paragraphs import page_width, show_paragraph
    from bridge.cli.parts.printing import show, show_bold
    from bridge.tuning.fretboard import SAFE_CENTS

    last = max(cell.fret for cell in study.cells)
    lines = [study.of_string(string.number) for string in reversed(study.guitar.strings)]
    for first, end in _blocks(last, page_width()):
        show()
        show_bold("fret".ljust(_LABEL) + "".join(f"{fret}".rjust(_CELL) for fret in range(first, end)))
        for cells in lines:
            here = {cell.fret: cell for cell in cells if first <= cell.fret < end}
            opening = cells[0]
            show(
                f"{opening.string} {opening.note}".ljust(_LABEL)
                + _row(here, first, end, lambda cell: cell.note.rstrip("-0123456789"))
            )
            show(" " * _LABEL + _row(here, first, end, _cents_cell))
            if beats:
                show("beats".ljust(_LABEL) + _row(here, first, end, _beats_cell))
    show()
    show_paragraph(f"cents from the table's note: + sharper, - flatter; ! marks more than {SAFE_CENTS:g} off")
    if beats and study.drone is not None:
        show_paragraph(
            f"beats: a second against the drone {study.drone.name} = {study.drone.hz:.3f} Hz; . where nothing meets"
        )
    safe = ", ".join(map(str, study.safe_frets))
    show_paragraph(
        f"all strings agree with the table at fret {safe}" if safe else "at no fret do all strings agree"
    )
    show_paragraph(
        "more: --chords, --chord NAME, --barres, --slides, --drone NOTE, --string N, --csv, --svg FILE"
    )


_LABEL, _CELL = 7, 5


def _blocks(last: int, width: int) -> list[tuple[int, int]]:
    """Split frets 0 to `last` into ranges that fit the width: all, else an octave, else as many as fit."""
    fit = max(4, (width - _LABEL) // _CELL)
    step = last + 1 if last < fit else min(fit, 13)
    return [(first, min(first + step, last + 1)) for first in range(0, last + 1, step)]


def _row(here: Mapping[int, FretCell], first: int, end: int, text: Callable[[FretCell], str]) -> str:
    return "".join(
        (text(here[fret]) if fret in here else "").rjust(_CELL) for fret in range(first, end)
    ).rstrip()


def _cents_cell(cell: FretCell) -> str:
    from bridge.sheet.phrases import signed
    from bridge.tuning.fretboard import SAFE_CENTS

    return signed(cell.cents, 0) + ("!" if abs(cell.cents) > SAFE_CENTS else "")


def _beats_cell(cell: FretCell) -> str:
    rate = cell.drone_beats_hz
    if rate is None:
        return "."
    return f"{rate:.1f}" if rate < 100 else f"{rate:.0f}"


def _print_string(study: FretStudy, number: int) -> None:
    from bridge.cli.parts.printing import cents, show, show_table

    show()
    rows = []
    for cell in study.of_string(number):
        pair = cell.drone
        rows.append(
            (
                "open" if cell.open else str(cell.fret),
                cell.note,
                f"{cell.hz:.3f}",
                f"{cell.table_hz:.3f}",
                cents(cell.cents),
                "" if pair is None else f"{pair.beats_hz:.2f}",
                "" if pair is None else f"{pair.partial} : {pair.other_partial}",
            )
        )
    show_table(
        ("fret", "note", "Hz", "table, Hz", "cents", "beats/s", "partials"),
        rows,
        left=(1,),
        title=f"string {number}",
    )
    if study.drone is not None:
        show(
            f"beats against the drone {study.drone.name} = {study.drone.hz:.3f} Hz; partials: drone : string"
        )


def _print_chord(study: FretStudy, chord: Chord) -> None:
    from bridge.cli.parts.paragraphs import show_heading
    from bridge.cli.parts.printing import cents, show_table
    from bridge.tuning.fretboard import SAFE_CENTS, frets_for_chord

    notes = " ".join(note.rstrip("-0123456789") for note in chord.notes)
    show_heading(f"{chord.name} ({chord.numeral}): {notes}, {chord.verdict} in this table")
    places = frets_for_chord(study.cells, chord.keys)

    def named(cell: FretCell) -> str:
        return f"{cell.fret} {cell.note.rstrip('-0123456789')}"

    rows = []
    for string in reversed(study.guitar.strings):
        safe = ", ".join(named(cell) for cell in places.safe if cell.string == string.number)
        off = ", ".join(
            f"{named(cell)} {cents(cell.cents, 0)}"
            for cell in places.doubtful
            if cell.string == string.number
        )
        rows.append((str(string.number), safe, off))
    show_table(("string", "safe: fret and note", f"more than {SAFE_CENTS:g} cents off"), rows, left=(0, 1, 2))


def _print_barres(spec: TableSpec) -> None:
    from bridge.cli.parts.paragraphs import show_heading, show_paragraph
    from bridge.cli.parts.printing import show_table
    from bridge.tuning.fretboard import SUITS_CENTS, barre_fits

    show_heading("A barre at each fret, and the table that goes with it")
    rows = []
    for fit in barre_fits(spec):
        off = {"home": fit.home_cents, "tonic": fit.tonic_cents, "fret": fit.fret_cents}[fit.suits]
        use = {"home": "as it is", "tonic": f"--tonic {fit.tonic}", "fret": f"--fret {fit.fret}"}[fit.suits]
        if off > SUITS_CENTS:
            use += " is the nearest"
        rows.append(
            (
                str(fit.fret),
                fit.tonic,
                f"{fit.home_cents:.1f}",
                f"{fit.tonic_cents:.1f}",
                f"{fit.fret_cents:.1f}",
                use,
            )
        )
    show_table(("fret", "tonic", "as it is", "--tonic", "--fret", "use"), rows, left=(1, 5))
    show_paragraph(
        f"figures: cents by which the worst string is off; up to {SUITS_CENTS:g} goes well. --tonic moves the scale "
        "with its pitch from home, --fret moves the whole table with the barre."
    )


def _print_slides(spec: TableSpec, scale_length_mm: float | None) -> None:
    from bridge.cli.parts.paragraphs import show_heading, show_paragraph
    from bridge.cli.parts.printing import cents, show_table
    from bridge.jobs.frets import guitar_of, slides_of
    from bridge.tuning.ratios import format_ratio

    guitar = guitar_of(spec)
    length_mm = guitar.scale_length_mm if scale_length_mm is None else scale_length_mm
    show_heading(f"Where a slide stands for pure intervals ({length_mm:g} mm from nut to saddle)")
    rows = []
    for one in slides_of(spec, length_mm):
        place = one.place
        over = "over it" if place.side == "at" else f"{place.from_fret_mm:+.0f} mm"
        rows.append(
            (
                format_ratio(one.ratio),
                one.degree,
                f"{place.frets:.2f}",
                f"{place.from_nut_mm:.1f} mm",
                str(place.nearest_fret),
                over,
                cents(one.cents_from_fret),
            )
        )
    show_table(
        ("pure", "degree", "frets", "from nut", "nearest fret", "from it", "cents from it"), rows, left=(0, 1)
    )
    above = f"the capo at fret {spec.fret}" if spec.fret else "the open string"
    show_paragraph(
        f"intervals above {above}; frets and millimetres from the nut. From the nearest fret: + towards the saddle, "
        "- towards the nut. Straight over a fret wire a slide sounds as a finger behind it does."
    )
