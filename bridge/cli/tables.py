"""``stillbeat tables``: list the scales, guitars, synths and tables that come along or are the user's own."""

from __future__ import annotations

import click


@click.command("tables")
@click.argument("kind", required=False, type=click.Choice(["scales", "guitars", "synths", "own"]))
@click.option("--sources", is_flag=True, help="Say where each comes from.")
def tables_command(kind: str | None, sources: bool) -> None:
    """List the scales, guitars and synths that can be named, with their sources.

    \b
      stillbeat tables
      stillbeat tables guitars --sources
    """
    from bridge.cli.parts.printing import show, show_table
    from bridge.jobs.catalogue import catalogue, own_folder

    entries = catalogue()
    shown = False
    for name, members in entries.items():
        if kind not in (None, "own", name):
            continue
        rows = [entry for entry in members if kind != "own" or entry.own]
        if not rows:
            continue
        if shown:
            show()
        shown = True
        show_table(
            ("name", "", "source") if sources else ("name", ""),
            [
                (
                    entry.name + (" (own)" if entry.own else ""),
                    entry.title,
                    *((entry.source,) if sources else ()),
                )
                for entry in rows
            ],
            left=(0, 1, 2),
            title=name,
        )
    if not shown:
        show("none of your own yet")
    show()
    show(f"your own go into {own_folder()}")
