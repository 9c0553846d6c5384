"""How a guitar is really tuned, for the terminal: how far each string is from pure, and what still beats."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bridge.tuning.as_tuned import AsTuned, RemainingBeat
    from bridge.tuning.tables import Table

#: A string so much off is worth turning.
TELL_CENTS = 0.5


def print_as_tuned(tuned: AsTuned, table: Table) -> None:
    """Print how far each string is from pure and what beats remain."""
    from bridge.cli.parts.paragraphs import show_heading, show_paragraph
    from bridge.cli.parts.printing import cents, hertz, show_table, sure

    fit = tuned.fit
    show_heading("The strings as they are tuned")
    guitar = tuned.spec.guitar
    assert guitar is not None
    rows = [
        (
            str(number),
            guitar.note_of(number),
            hertz(tuned.measured[number]),
            sure(tuned.sd_cents.get(number, 0.0)),
            cents(fit.deviations_cents[number], 2),
            "" if fit.weights[number] > 0.99 else "stands apart from the others",
        )
        for number in sorted(tuned.measured, reverse=True)
    ]
    show_table(("string", "note", "Hz", "sure to", "from pure", ""), rows, left=(0, 1, 5))
    show_paragraph(
        f"In cents; pure: over {table.note(tuned.spec.reference.key)} = {fit.hz:.3f} Hz, which fits these strings best"
    )
    missing = [string.number for string in guitar.strings if string.number not in tuned.measured]
    if missing:
        numbers = ", ".join(map(str, missing))
        show_paragraph(
            f"not heard: string {numbers}; its note follows the scale, or another string of the same name. "
            "`stillbeat listen` on the same take tells of plucks that could not be measured."
        )
    if tuned.beats:
        show_heading("What still beats")
        show_table(
            ("harmonics that should be one", "beats/s", "to still it"),
            [(str(beat.unison), f"{beat.rate_hz:.2f}", _cure(beat)) for beat in tuned.beats],
            left=(0, 2),
        )


def _cure(beat: RemainingBeat) -> str:
    size = abs(beat.move_cents)
    if size < TELL_CENTS:
        return "leave it"
    return f"string {beat.unison.string} {'up' if beat.move_cents > 0 else 'down'} {size:.1f} cents"
