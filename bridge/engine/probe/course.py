"""The course of an examination: which trial comes next, given what was heard before.

`examination` is a generator: it yields a `Trial`, is sent a `Hearing`, and returns the `Findings`. Who drives it plays
and listens; nothing here does.

Trials of messages that a channel may follow unselected come first, for once a channel has been made to follow a tuning
program, nothing takes that back.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable
from dataclasses import dataclass, field, replace

from bridge.engine.probe import bends, trials
from bridge.engine.probe.messages import Carrier, Place
from bridge.engine.probe.trials import Trial
from bridge.engine.probe.verdicts import (
    Exactness,
    Finding,
    Hearing,
    exactness,
    judge,
    near,
    unclear,
)
from bridge.wire.bend import CENTRE

OTHER_DEVICES = (0x00, 0x05)
HEARINGS = 3
"""So often a trial is held that is not clear at once."""
_RANGES = (127, 96, 64, 48, 36, 24, 18)
_RANGE_SHARE = 0.04

Examination = Generator[Trial, Hearing, "Findings"]


@dataclass
class Findings:
    """All that was found out about one synth."""

    place: Place = field(default_factory=Place)
    rows: dict[str, Finding] = field(default_factory=dict)  # by name, in the order in which they were tried
    default_range_semitones: float | None = None  # bend range as it was found; None if unknown
    widest_range_semitones: int | None = None  # widest bend range that is obeyed
    clamped: bool = False  # whether wider ranges are taken for the widest
    # How exactly they are obeyed.
    bends: Exactness = field(default_factory=lambda: Exactness(None, None))
    tunings: Exactness = field(default_factory=lambda: Exactness(None, None))
    # What of channel fine tuning acts.
    fine_parts: str | None = None
    channels: tuple[int, ...] | None = None  # channels that are heard; None if that was not tried
    by_ear: bool = False  # whether a player answered

    def obeyed(self, *names: str) -> bool:
        """Tell whether any of these is known to be obeyed."""
        return any(name in self.rows and self.rows[name].obeyed for name in names)

    def verdict(self, name: str) -> str:
        """Return a verdict; unknown where a trial was not held."""
        return self.rows[name].verdict if name in self.rows else "unknown"

    def carrier(self) -> Carrier | None:
        """Return a tuning message that is obeyed, the finest first."""
        if self.obeyed("note", "note-unselected"):
            return "note"
        if self.obeyed("note-bank", "note-bank-unselected"):
            return "note-bank"
        if self.obeyed("octave-2"):
            return "octave"
        return "dump" if self.obeyed("dump", "dump-unselected") else None


def examination(place: Place, channels: tuple[int, ...] | None = None) -> Examination:
    """Find out what a synth obeys, on a test key and the channels that are heard.

    Yields a `Trial` to be held; send back its `Hearing`.
    """
    found = Findings(place, channels=channels)
    yield from _all(found, trials.tuning_trials(place, selected=False))
    yield from _all(found, trials.tuning_trials(place, selected=True))
    yield from _all(found, trials.octave_trials(place))
    form = 2 if found.verdict("octave-2") == "now" else 1 if found.verdict("octave-1") == "now" else None
    if form is not None and place.other != place.channel:
        yield from _all(found, [trials.shared_octave(place, 2 if form == 2 else 1)])
    yield from _selecting(found)
    yield from _all(found, [trials.master_fine(place)])
    yield from _fine(found)
    yield from _bends(found)
    yield from _mpe(found)
    carrier = found.carrier()
    if carrier is not None:
        yield from _all(found, [trials.device(place, carrier, device) for device in OTHER_DEVICES])
        if carrier != "dump":
            points = trials.tuning_points(place, carrier)
            hearing = yield points
            found.tunings = exactness(trials.TUNING_POINTS, hearing.cents[1:], scaled=False)
    return found


def _ask(trial: Trial) -> Generator[Trial, Hearing, Finding]:
    """Hold a usual trial, again where it is not clear."""
    findings = [judge(trial, (yield trial))]
    if findings[0].verdict != "unknown":
        return findings[0]
    while len(findings) < HEARINGS:
        findings.append(judge(trial, (yield trial)))
    return unclear(findings)


def _all(found: Findings, several: Iterable[Trial]) -> Generator[Trial, Hearing, None]:
    for trial in several:
        found.rows[trial.name] = yield from _ask(trial)


def _selecting(found: Findings) -> Generator[Trial, Hearing, None]:
    """How a tuning program is chosen: by its number, and by its bank."""
    place, carrier = found.place, found.carrier()
    if carrier is None or carrier == "octave":
        return
    yield from _all(found, [trials.program_select(place, carrier)])
    if found.obeyed("note-bank"):
        yield from _all(found, [trials.bank_select(place, True), trials.bank_select(place, False)])
    elif found.obeyed("select-program"):
        finding = yield from _ask(trials.bank_ignored(place, carrier))
        if finding.obeyed:  # what was chosen is the program of bank 0
            remark = "passed over: RPN 00 03 alone chooses"
            found.rows["select-bank"] = replace(finding, name="select-bank", verdict="ignored", remark=remark)
        else:
            remark = "not known whether another bank was chosen or none"
            found.rows["select-bank"] = replace(finding, name="select-bank", verdict="unknown", remark=remark)


def _fine(found: Findings) -> Generator[Trial, Hearing, None]:
    place = found.place
    yield from _all(found, [trials.channel_fine(place)])
    if not found.obeyed("channel-fine"):
        return
    coarse = ((trials.FINE_MSB << 7) - CENTRE) * 100 / CENTRE
    full = coarse + trials.FINE_LSB * 100 / CENTRE
    for _ in range(HEARINGS):
        hearing = yield trials.channel_fine_order(place)
        msb_first, lsb_first = (_nearer(cents, coarse, full) for cents in hearing.cents[1:])
        found.fine_parts = {
            (True, True): "both",
            (False, True): "msb with the lsb before",
            (False, False): "msb",
            (True, False): "lsb after the msb",
        }.get((msb_first, lsb_first))  # type: ignore[arg-type]
        if found.fine_parts is not None:
            return


def _nearer(cents: float | None, coarse: float, full: float) -> bool | None:
    """Tell whether a pitch is the full one rather than the coarse one; None if neither."""
    if cents is None or not min(coarse, full) - 1.2 <= cents <= max(coarse, full) + 1.2:
        return None
    return abs(cents - full) < abs(cents - coarse)


def _bends(found: Findings) -> Generator[Trial, Hearing, None]:
    place = found.place
    trial = bends.bend_as_it_is(place)
    for _ in range(HEARINGS):
        hearing = yield trial
        finding = _judge_bend(trial, hearing)
        if finding.verdict != "unknown":
            break
    found.rows[trial.name] = finding
    if finding.obeyed and finding.later_cents is not None:
        found.default_range_semitones = finding.later_cents / bends.BEND_STEPS * CENTRE / 100
    if not finding.obeyed:
        return
    yield from _all(found, [bends.bend_range(place)])
    if found.obeyed("bend-range"):
        yield from _widest(found)
    semitones = 2 if found.obeyed("bend-range") else round(found.default_range_semitones or 0.0)
    if semitones < 1:
        return
    hearing = yield bends.bend_points(place)
    asked = [steps * semitones * 100 / CENTRE for steps in bends.BEND_POINTS]
    found.bends = exactness(asked, hearing.cents[1:], scaled=True)


def _judge_bend(trial: Trial, hearing: Hearing) -> Finding:
    """Judge a bend by whatever range the channel has: any shift down will do."""
    _, sounding, later = hearing.cents
    if later is None or sounding is None or hearing.trouble or near(later, 0.0) or later > 0.0:
        return judge(trial, hearing)
    share = replace(trial, wanted_cents=later)
    finding = judge(share, hearing)
    remark = "" if near(later, trial.wanted_cents) else f"its range was {later / -50.0:.1f} semitones"
    return replace(finding, remark=finding.remark or remark, wanted_cents=trial.wanted_cents)


def _range_heard(semitones: int, cents: float | None) -> float | None:
    """Return the range that a bend showed."""
    return None if cents is None else cents / bends.range_steps(semitones) * CENTRE / 100


def _widest(found: Findings) -> Generator[Trial, Hearing, None]:
    """Look for the widest range that is obeyed, from above."""
    widest, clamped_to = 12, None
    tried = list(_RANGES)
    while tried:
        semitones = tried.pop(0)
        heard = []
        for _ in range(2):
            hearing = yield bends.wide_range(found.place, semitones)
            heard.append(_range_heard(semitones, hearing.cents[1]))
            if heard[-1] is not None:
                break
        effective = heard[-1]
        if effective is None:
            continue
        if abs(effective - semitones) <= _RANGE_SHARE * semitones:
            widest = semitones
            break
        whole = round(effective)
        if 12 < whole < semitones and clamped_to is None and abs(effective - whole) < 0.03 * whole + 0.1:
            clamped_to = whole
            tried = [whole, *(each for each in tried if each < whole)]
    found.widest_range_semitones = widest
    found.clamped = clamped_to is not None and abs(widest - clamped_to) < 1


def _mpe(found: Findings) -> Generator[Trial, Hearing, None]:
    place = found.place
    heard = found.channels or (place.channel,)
    members = [channel for channel in heard if channel not in (1, 10)]
    if not members or not found.obeyed("bend"):
        return
    default = found.default_range_semitones
    trial = bends.mpe_zone(place, members[0])
    if default is not None and default > 40 and not found.obeyed("bend-range"):
        remark = f"its bends reach {default:.0f} semitones anyway, so a zone cannot be told"
        found.rows["mpe"] = Finding(trial.name, trial.label, trial.message, "unknown", remark=remark)
        return
    yield from _all(found, [trial])
    if found.obeyed("mpe"):
        yield from _all(found, [bends.mpe_range(place, members[0])])
