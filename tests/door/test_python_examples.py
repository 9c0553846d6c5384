"""The scripts of ``examples/python``, run as they stand, each judged by something that knows nothing of them.

Expected values by arithmetic: five-limit ratios over a D3 of 146.5 Hz; an equal major third lies 13.69 cents above
5/4; D3 at 146.5 Hz with an equal F#3 beats 5 · 146.5 - 4 · 146.5 · 2^(4/12) times a second.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support import evening, independent, jack, measure
from support.live import until
from support.obedient import ObedientSynth
from support.plucks import Pluck

SCRIPTS = Path(__file__).resolve().parents[2] / "examples" / "python"
D3 = 146.5


def run(script: str, *arguments: str | Path, folder: Path, env: dict[str, str] | None = None) -> str:
    """Run a script in a folder that holds nothing; return what it printed."""
    done = subprocess.run(
        [sys.executable, "-W", "error", str(SCRIPTS / script), *map(str, arguments)],
        cwd=folder,
        env={**(env or os.environ), "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_every_script_stands_in_the_readme_and_is_run_here() -> None:
    listed = set(re.findall(r"`(\w+\.py)", (SCRIPTS / "README.md").read_text(encoding="utf-8")))
    assert listed == {path.name for path in SCRIPTS.glob("*.py")}
    here = Path(__file__).read_text(encoding="utf-8")
    assert all(f'run("{name}"' in here.replace("\n", "").replace("        ", "") for name in listed)
    for path in SCRIPTS.glob("*.py"):
        assert len(path.read_text(encoding="utf-8").splitlines()) <= 60, path.name


def test_table_as_array(tmp_path: Path) -> None:
    printed = run("table_as_array.py", folder=tmp_path)
    assert re.search(rf"F#3 +{D3 * 5 / 4:.3f} Hz +-13\.69 cents", printed)
    beats = abs(5 * D3 - 4 * D3 * 2 ** (4 / 12))
    assert f"beats {beats:.2f} times" in printed


def test_mido_made_pure(tmp_path: Path, jack_server: jack.JackServer) -> None:
    with jack.JackTap(jack_server) as tap:
        tap.start()
        run("mido_made_pure.py", "tap", "0.01", folder=tmp_path, env=jack_server.env)
        until(lambda: sum(data[0] & 0xF0 == 0x80 for _, data in tap.heard()) == 10)
        sent = [data for _, data in tap.heard()]
    synth, struck = ObedientSynth(), []
    for data in sent:
        synth.feed(data)
        if data[0] & 0xF0 == 0x90 and data[2]:
            struck.append(440 * 2 ** ((synth.pitch(data[0] & 15, data[1]) - 69) / 12))
    wanted = [D3, *(2 * D3 * ratio for ratio in (1, 5 / 4, 3 / 2, 5 / 3, 3 / 2, 5 / 4, 9 / 8, 5 / 4, 1))]
    assert [measure.cents(hz, want) for hz, want in zip(struck, wanted, strict=True)] == pytest.approx(
        [0.0] * 10, abs=0.05
    )


def test_drones_for_practice(tmp_path: Path) -> None:
    run("drones_for_practice.py", "drones", folder=tmp_path)
    tonics = {"D": D3, "G": D3 * 4 / 3, "A": D3 * 3 / 2}
    for tonic, hz in tonics.items():
        sound, rate_hz = soundfile.read(tmp_path / "drones" / f"drone-{tonic}.wav", always_2d=True)
        window = sound[4 * rate_hz : 6 * rate_hz].mean(axis=1)
        near = [octave * hz * ratio for ratio in (1, 3 / 2) for octave in (0.5, 1) if 120 < octave * hz < 250]
        heard = measure.tones_hz(window, rate_hz, near)
        assert [measure.cents(one, want) for one, want in zip(heard, near, strict=True)] == pytest.approx(
            [0.0] * len(near), abs=0.2
        )


def test_retune_folder(tmp_path: Path) -> None:
    tracks = evening.FOLDER / "tracks"
    printed = run("retune_folder.py", tracks, "pure", folder=tmp_path)
    for track in tracks.glob("*.mid"):
        assert re.search(rf"{track.name}: (\d+) of \1 notes as the table has them, by note", printed), printed
        before, after = independent.read(track), independent.read(tmp_path / "pure" / track.name)
        assert [len(independent.notes(one)) for one in after.tracks if independent.notes(one)] == [
            len(independent.notes(one)) for one in before.tracks if independent.notes(one)
        ]


def test_measure_recording(tmp_path: Path) -> None:
    silence = np.zeros(4800)
    plucked = [Pluck(hz, decay_s=1.0).samples(2.0, 48000) for hz in (D3, D3 * 3 / 2 * 2 ** (4 / 1200))]
    noise = 1e-5 * np.random.default_rng(1).standard_normal(2 * 4800 + 2 * 96000)
    take = 0.2 * np.concatenate([silence, plucked[0], silence, plucked[1]]) + noise
    soundfile.write(tmp_path / "take.wav", take, 48000)
    printed = run("measure_recording.py", "take.wav", folder=tmp_path)
    found = re.findall(r"string (\d) +(\S+) +([\d.]+) Hz +(\S+) cents", printed)
    assert [(string, note) for string, note, _, _ in found] == [("4", "D3"), ("2", "A3")], printed
    assert [float(cents) for *_, cents in found] == pytest.approx([0.0, 4.0], abs=0.3)


def test_the_lines_of_the_readme_run_as_they_stand(tmp_path: Path, jack_server: jack.JackServer) -> None:
    text = (SCRIPTS.parents[1] / "README.md").read_text(encoding="utf-8")
    section = text.partition("## For Python users")[2].partition("\n## ")[0]
    (code,) = re.findall(r"```python\n(.*?)```", section, re.DOTALL)
    (line,) = re.findall(r"```sh\n(.*?)```", section, re.DOTALL)
    (tmp_path / "song.mid").write_bytes((evening.FOLDER / "tracks" / "ferry-bell.mid").read_bytes())
    (tmp_path / "readme.py").write_text(code, encoding="utf-8")
    program = "import mido\nwith mido.open_output('synth') as port:\n    port.send(mido.Message('note_on', note=54))\n"
    (tmp_path / "program.py").write_text(program, encoding="utf-8")
    with jack.JackTap(jack_server, name="synth") as tap:
        tap.start()
        run(str(tmp_path / "readme.py"), folder=tmp_path, env=jack_server.env)
        assert independent.notes(independent.read(tmp_path / "song-pure.mid").tracks[1])
        until(lambda: any(data[0] & 0xF0 == 0x80 and data[1] == 66 for _, data in tap.heard()))
        tap.start()
        path = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
        env = {**jack_server.env, "PATH": path, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
        subprocess.run(line, shell=True, cwd=tmp_path, env=env, timeout=60, check=True)
        until(lambda: any(data[0] & 0xF0 == 0x80 and data[1] == 54 for _, data in tap.heard()))


def test_profile_by_hand(tmp_path: Path) -> None:
    printed = run("profile_by_hand.py", "kitchen", folder=tmp_path)
    assert "by bend, notes on channels" in printed
    notes = [
        note
        for track in independent.read(tmp_path / "kitchen" / "for-the-kitchen.mid").tracks
        for note in independent.notes(track)
    ]
    assert sorted(note.key for note in notes) == [50, 57, 66]
    assert {note.channel for note in notes} <= {1, 2, 3, 4}
    assert len({note.channel for note in notes}) == 3, "each offset has a channel of its own"
