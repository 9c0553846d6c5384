"""Retune a whole folder of MIDI files, on all cores, with a progress bar. The files themselves are never changed.

python examples/python/retune_folder.py FOLDER OUTPUT-FOLDER
"""

import sys
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

from rich.progress import track

import bridge

WORDS = {"guitar": "open-d", "reference": "D3=146.5", "synth": "fluidsynth"}


def retune(source: Path, output: Path) -> str:
    """Retune one file, in a process of its own; say how it went."""
    try:
        done = bridge.retune_file(source, output, overwrite=True, **WORDS)
    except bridge.StillbeatError as error:
        return f"{source.name}: left out: {error}"
    return f"{source.name}: {done.exact} of {done.notes} notes as the table has them, by {done.method}"


if __name__ == "__main__":
    folder, outputs = Path(sys.argv[1]), Path(sys.argv[2])
    outputs.mkdir(parents=True, exist_ok=True)
    sources = sorted(folder.glob("*.mid"))
    with ProcessPoolExecutor() as crew:
        jobs = [crew.submit(retune, source, outputs / source.name) for source in sources]
        said = [job.result() for job in track(as_completed(jobs), "retuning", total=len(jobs))]
    print(*sorted(said), sep="\n")
