"""From what a person asked for to a table: words, and takes to listen to, become a `TableSpec`.

What words mean stands in `bridge.tuning.asked`; here their names are found in files. A take (`reference_from`,
`as_tuned`) is listened to last, on the open strings; a reference that was asked for besides says about where to listen.
Notes held at a frequency stay there, whatever a take tells.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from bridge.errors import ValueProblem
from bridge.jobs.hearing import reference_in_take, tuned_in_take
from bridge.store.descriptions import FILES
from bridge.tuning.as_tuned import AsTuned
from bridge.tuning.asked import NoTonic, TableWords, make_spec, read_words
from bridge.tuning.spec import TableSpec


@dataclass(frozen=True)
class TableRequest(TableWords):
    """A table as asked for: its words, and what to listen to."""

    # Sound files: one to hear the reference from, one to hear all strings from.
    reference_from: str | None = None
    as_tuned: str | None = None


def choose_table(request: TableRequest) -> TableSpec:
    """Make the description of a table from what was asked for.

    ValueProblem if a text is malformed or out of range, or nothing says which note the scale is built on;
    InputProblem if a named description or a take is missing or broken, or a take does not hold what is looked
    for; TuningProblem if a table as tuned is asked for without a guitar, or a string is too far from its
    note.
    """
    return choose_tuned(request)[0]


def choose_tuned(request: TableRequest) -> tuple[TableSpec, AsTuned | None]:
    """Make the description of a table, and tell how the strings stand where they were listened to.

    Without `as_tuned` the second is None. Raises as `choose_table`.
    """
    if request.reference_from is not None and request.as_tuned is not None:
        raise ValueProblem(
            "--reference-from and --as-tuned were both asked for",
            "a take of all strings holds the reference too: --as-tuned alone will do",
        )
    asked = read_words(request, FILES)
    try:
        spec = make_spec(asked, FILES)
    except NoTonic as problem:
        raise NoTonic(problem.message, "say --tonic D, or --guitar open-d, or name a table") from problem
    if request.reference_from is not None:
        named = request.reference is not None or request.sounding is not None
        return replace(spec, reference=reference_in_take(request.reference_from, spec, named)), None
    if request.as_tuned is not None:
        tuned = tuned_in_take(request.as_tuned, spec)
        return tuned.spec.with_keys(asked.pins), tuned
    return spec, None
