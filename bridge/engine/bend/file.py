"""Retuning a whole file by pitch bend: `bend`, with a channel for each offset, and `mpe`, the same inside zones.

`plan_bend` reads the file once to learn its notes and what its channels do (`demand`), sorts the notes into classes
(`classes`), decides who shares where channels are short (`overload`), and then runs the events through the same
`Router` that live playing uses, with a placer that knows the plan. What comes out is a `BendPlan`: the outputs in the
form of `bridge.engine.protocols`, and the report.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Mapping, Sequence

from bridge.engine.bend.bend_channels import BendChannels
from bridge.engine.bend.classes import Classes, sort_into_classes
from bridge.engine.bend.mpe import choose_parts, choose_zones
from bridge.engine.bend.options import BendOptions, allowed_channels
from bridge.engine.bend.overload import pure_notes, share
from bridge.engine.bend.planned import PlannedPlacer
from bridge.engine.bend.router import Router
from bridge.engine.notices import bend_notices
from bridge.engine.offsets import Offsets, fixed_range, most_range, smallest_range
from bridge.engine.protocols import Output, TableChange, TimedEvent
from bridge.engine.report import BendReport, spans
from bridge.engine.score import Score, SourceFacts, read_score
from bridge.errors import MethodProblem
from bridge.wire.mpe import Zone
from bridge.wire.packets import Packets
from bridge.wire.profile import SynthProfile


class BendPlan:
    """A file retuned by bends."""

    def __init__(self, messages: list[bytes], bounds: array[int], report: BendReport) -> None:
        self._messages = messages
        self._bounds = bounds
        self.report = report

    @property
    def outputs(self) -> Iterator[Output]:
        """Yield anchor, None, message in playing order; as often as it is asked for."""
        messages = self._messages
        at = 0
        for anchor, bound in enumerate(self._bounds):
            while at < bound:
                yield anchor, None, messages[at]
                at += 1


def plan_bend(
    events: Sequence[TimedEvent],
    changes: Sequence[TableChange],
    table_hz: Sequence[float],
    profile: SynthProfile | None = None,
    options: BendOptions | None = None,
    method: str = "bend",
) -> BendPlan:
    """Retune a file by bends, from its first table of 128 frequencies on.

    MethodProblem if there are too few channels or too many parts for MPE, or an offset lies beyond the synth's
    bend range.

    Parameters
    ----------
    events : sequence of (float, bytes)
        Seconds and message, in playing order; empty data mark the place of a table change. It is gone through twice.
    changes : sequence of (int, sequence of 128 float)
        Anchor of each marker, and the frequencies in hertz that hold from there; sounding notes move to them.
    profile : SynthProfile, optional
        What the synth obeys; None: any synth that obeys pitch bend.
    """
    return _Planner(events, changes, table_hz, profile, options or BendOptions(), method == "mpe").plan()


class BendFileEngine:
    """A `bridge.engine.protocols.FileEngine` for the methods `bend` and `mpe`; arguments as for `plan_bend`."""

    def __init__(
        self,
        profile: SynthProfile | None,
        method: str,
        hz: Sequence[float],
        options: BendOptions | None = None,
    ) -> None:
        self.profile = profile
        self.method = method
        self.options = options or BendOptions()
        self.plan: BendPlan | None = None  # the last file's
        self._hz = hz

    def process(self, events: Sequence[TimedEvent], changes: Sequence[TableChange]) -> Iterable[Output]:
        """Return the retuned stream (see `plan_bend` for what it raises)."""
        self.plan = plan_bend(events, changes, self._hz, self.profile, self.options, self.method)
        return self.plan.outputs


class _Planner:
    def __init__(
        self,
        events: Sequence[TimedEvent],
        changes: Sequence[TableChange],
        table_hz: Sequence[float],
        profile: SynthProfile | None,
        options: BendOptions,
        mpe: bool,
    ) -> None:
        self.events = events
        self.profile = profile
        self.options = options
        self.mpe = mpe
        offsets = Offsets(profile)
        self.offsets: Sequence[float] = offsets.of(table_hz)
        self.changes: Mapping[int, Sequence[float]] = {anchor: offsets.of(hz) for anchor, hz in changes}
        self.dropped: frozenset[int] = frozenset()
        self.zones: dict[int, Zone] = {}

    def plan(self) -> BendPlan:
        score = read_score(self.events, self.offsets, self.changes)
        drums = score.drums
        allowed = allowed_channels(self.profile, self.options, drums)
        if self.mpe:
            parts = choose_parts(score.pitched, self.options.parts)
            self.dropped = frozenset(set(score.pitched) - set(parts))
            if self.dropped:
                score = read_score(self.events, self.offsets, self.changes, self.dropped)
        self._check_reach(score.facts)
        classes = sort_into_classes(score, self.offsets, self.changes)
        if self.mpe:
            shared = self._share_in_zones(score, classes, self._free_for_zones(drums))
        else:
            shared = self._share(score, classes, len(allowed))
        crowded = any(number != root for number, root in enumerate(shared))
        pure = pure_notes(score, self.changes, self.options.tonics, self.options.chord_s) if crowded else None
        placer = PlannedPlacer(score, classes, shared, pure, self.options.chord_s, self.changes)
        channels = self._channels(placer, score, allowed)
        bounds = self._run(channels, placer)
        return BendPlan(channels.sink, bounds, self._report(channels, score, classes, len(allowed)))

    def _check_reach(self, facts: Sequence[SourceFacts]) -> None:
        for number, fact in enumerate(facts, 1):
            if not fact.notes:
                continue
            most = most_range(self.profile, fact.widest_cents, self.mpe)
            cents = max(fact.high_offset_cents, fact.low_offset_cents, key=abs)
            if abs(cents) > 100.0 * most:
                raise MethodProblem(
                    f"channel {number} plays {cents:+.0f} cents from its usual pitch; bends reach ±{most} semitones",
                    "use --method note, or a reference nearer to the usual pitch",
                )

    def _share(self, score: Score, classes: Classes, channels: int) -> array[int]:
        least = classes.sources_at_once()
        if least > channels:
            raise MethodProblem(
                f"{least} channels play pitched notes at once, but {channels} are allowed",
                f"allow at least {least} with --channels",
            )
        return share(
            score,
            classes,
            channels,
            self.offsets,
            self.changes,
            self.options.tonics,
            self.options.chord_s,
        )

    def _share_in_zones(self, score: Score, classes: Classes, free: Sequence[int]) -> array[int]:
        demand: dict[int, int] = {}
        selections = {source: classes.of_source(source) for source in sorted(set(classes.sources))}
        for source, (some, _) in selections.items():
            demand[source + 1] = max(some.demand(), default=0)
        self.zones = choose_zones(demand, free) if demand else {}
        shared = array("i", range(len(classes)))
        for source, (some, numbers) in selections.items():
            within = self._share(score, some, self.zones[source + 1].members)
            for number, root in zip(numbers, within, strict=True):
                shared[number] = numbers[root]
        return shared

    def _free_for_zones(self, drums: Sequence[int]) -> list[int]:
        receives = self.profile.channels if self.profile is not None else range(1, 17)
        wanted = set(receives) & set(self.options.channels or range(1, 17))
        return sorted(wanted - set(drums))

    def _channels(self, placer: PlannedPlacer, score: Score, allowed: list[int]) -> BendChannels:
        options = self.options
        channels = BendChannels(
            placer,
            self.offsets,
            [] if self.mpe else allowed,
            tail_s=options.tail_s,
            plain=options.plain,
            record=True,
        )
        fixed = fixed_range(self.profile, self.mpe)
        drums = score.drums
        for source, fact in zip(channels.sources, score.facts, strict=True):
            home = source.home
            home.reluctance = 2 if fact.notes else 1 if fact.messages else 0
            if source.number in drums:
                channels.reserve(source)
            elif not fact.notes:
                source.passive = True
                if home not in channels.pool:
                    source.raw = True
            elif fixed is not None:
                source.range_out_semitones = fixed
            else:
                most = most_range(self.profile, fact.widest_cents, self.mpe)
                source.range_out_semitones = smallest_range(fact.low_cents, fact.high_cents, most)
        taken = {channel for zone in self.zones.values() for channel in zone.channels}
        for source in channels.sources:
            if source.passive and source.number in taken:
                source.raw = False
        for number, zone in self.zones.items():
            channels.form_zone(channels.sources[number - 1], zone)
        return channels

    def _run(self, channels: BendChannels, placer: PlannedPlacer) -> array[int]:
        """Feed all events; return for each anchor how many messages had gone out after it."""
        bounds = array("i")
        router = Router(channels, self.profile.reset_gap_s if self.profile is not None else 0.1)
        sink, changes, feed = channels.sink, self.changes, router.feed
        dropped = {channel - 1 for channel in self.dropped}
        chord = placer.next_chord
        packets = Packets()
        for anchor, (now_s, data) in enumerate(self.events):
            if data:
                if anchor == chord:
                    if router.resync_s is not None:
                        router.resync()
                    placer.open_chord(channels, now_s)
                    chord = placer.next_chord
                if data[0] == 0xF0 or data[0] == 0xF7:
                    place, completed = packets.feed(data)
                    for message in place:
                        if message[0] >= 0xF0 or message[0] & 0x0F not in dropped:
                            feed(now_s, message)
                    for message in completed:
                        router.hear_sysex(now_s, message)
                elif not (dropped and data[0] < 0xF0 and data[0] & 0x0F in dropped):
                    feed(now_s, data)
            elif anchor in changes:
                channels.retune(changes[anchor])
            bounds.append(len(sink))
        return bounds

    def _report(self, channels: BendChannels, score: Score, classes: Classes, allowed: int) -> BendReport:
        sources = channels.sources
        halves = [source.range_out_semitones * 50.0 / 8192.0 for source in sources]
        used = sorted({number for numbers in channels.used.values() for number in numbers})
        report = BendReport(
            method="mpe" if self.mpe else "bend",
            starts=score.starts,
            note_cents=channels.worst_cents,
            half_step_cents=array("d", map(halves.__getitem__, score.sources)),
            clipped=len(channels.clipped),
            class_starts=classes.starts,
            demand=classes.demand(),
            channels_allowed=sum(zone.members for zone in self.zones.values()) if self.mpe else allowed,
            channels=tuple(used),
            ranges_semitones={
                number: sources[number - 1].range_out_semitones
                for number, fact in enumerate(score.facts, 1)
                if fact.notes
            },
            setup_messages=channels.setup_messages,
            bend_messages=channels.bend_messages,
        )
        report.notices += bend_notices(score, report, channels.used, self.profile)
        if self.dropped:
            report.notices.append(
                f"left out: channel{'s' if len(self.dropped) > 1 else ''} {spans(self.dropped)}, since MPE plays the "
                "parts chosen and no others"
            )
        return report
