"""MPE zones: their channels, the messages that set them up, and a receiver's view of them.

Conventions: channels are 1 to 16. The lower zone has manager channel 1 and members 2 upward, the upper zone manager
16 and members 15 downward; members are listed from the manager outward. A configuration message (RPN 00 06) puts the
members' bend range to ±48 semitones and the manager's to ±2; since not every receiver does so, `Zone.messages` says
both again with RPN 00 00. The manager's own bend moves the whole zone: tunings never go there.

Source: *MIDI Polyphonic Expression*, version 1.0 (The MIDI Association, 2018), sections on zones, configuration and
pitch bend.
"""

from __future__ import annotations

from dataclasses import dataclass

from bridge.errors import ValueProblem
from bridge.wire import rpn

LOWER_MANAGER, UPPER_MANAGER = 1, 16
MEMBER_RANGE_SEMITONES = 48
MANAGER_RANGE_SEMITONES = 2


@dataclass(frozen=True)
class Zone:
    """A manager channel and its members; ValueProblem if either is impossible."""

    manager: int  # 1 (lower zone) or 16 (upper zone)
    members: int  # number of member channels, 1 to 15; 15 leaves no room for another zone

    def __post_init__(self) -> None:
        if self.manager not in (LOWER_MANAGER, UPPER_MANAGER):
            raise ValueProblem(
                f"channel {self.manager} cannot manage an MPE zone",
                "the manager is channel 1 (lower zone) or 16 (upper zone)",
            )
        if not isinstance(self.members, int) or not 1 <= self.members <= 15:
            raise ValueProblem(f"an MPE zone cannot have {self.members} member channels", "allowed: 1 to 15")

    @classmethod
    def lower(cls, members: int = 8) -> Zone:
        """Return the lower zone: manager 1, members 2 to 9 unless said otherwise."""
        return cls(LOWER_MANAGER, members)

    @classmethod
    def upper(cls, members: int = 5) -> Zone:
        """Return the upper zone: manager 16, members 15 to 11 unless said otherwise."""
        return cls(UPPER_MANAGER, members)

    @property
    def is_lower(self) -> bool:
        """Whether this is the lower zone."""
        return self.manager == LOWER_MANAGER

    @property
    def member_channels(self) -> tuple[int, ...]:
        """The member channels, from the manager outward."""
        if self.is_lower:
            return tuple(range(2, 2 + self.members))
        return tuple(range(15, 15 - self.members, -1))

    @property
    def channels(self) -> tuple[int, ...]:
        """The manager and its members."""
        return (self.manager, *self.member_channels)

    def messages(
        self,
        range_semitones: int = MEMBER_RANGE_SEMITONES,
        manager_range_semitones: int = MANAGER_RANGE_SEMITONES,
    ) -> list[bytes]:
        """Return the messages that set the zone up: configuration, then the bend range of every channel.

        ValueProblem if a range is not 1 to 96 semitones, the widest that MPE allows.
        """
        for what, semitones in (("member", range_semitones), ("manager", manager_range_semitones)):
            if not 1 <= semitones <= 96:
                raise ValueProblem(
                    f"an MPE {what} bend range of {semitones} semitones is out of range", "allowed: 1 to 96"
                )
        out = rpn.mpe_configuration(self.manager, self.members)
        out += rpn.bend_range(self.manager, manager_range_semitones)
        for channel in self.member_channels:
            out += rpn.bend_range(channel, range_semitones)
        return out

    def end_messages(self) -> list[bytes]:
        """Return the messages that end the zone, so that its channels are ordinary ones again."""
        return rpn.mpe_configuration(self.manager, 0)


class MpeReceiver:
    """Which zones a receiver has, by the configuration messages that it got.

    A later zone takes the channels it needs: the other one shrinks, and ends when no member is left.
    """

    def __init__(self) -> None:
        self._zones: dict[int, Zone] = {}

    @property
    def zones(self) -> tuple[Zone, ...]:
        """The zones there are now, lower first."""
        return tuple(self._zones[manager] for manager in sorted(self._zones))

    def configure(self, channel: int, members: int) -> tuple[Zone, ...]:
        """Take a configuration message (RPN 00 06); return the zones that there are now.

        On channels other than 1 and 16, or with more than 15 members, it is ignored; 0 members end the zone.
        """
        if channel not in (LOWER_MANAGER, UPPER_MANAGER) or not 0 <= members <= 15:
            return self.zones
        if members == 0:
            self._zones.pop(channel, None)
            return self.zones
        self._zones[channel] = Zone(channel, members)
        other = LOWER_MANAGER + UPPER_MANAGER - channel
        if other in self._zones:
            room = 14 - members  # a zone of 15 members takes the other manager's channel as well
            if room < 1:
                del self._zones[other]
            elif self._zones[other].members > room:
                self._zones[other] = Zone(other, room)
        return self.zones

    def reach_after(self, channel: int, members: int) -> dict[int, int]:
        """Take a configuration message as `configure` does; return the bend ranges that it puts channels to.

        Members of the zone get 48 semitones, its manager and channels that belong to no zone any more get 2; whoever
        wants others must say so afterwards.

        Returns
        -------
        dict of int to int
            Channel to semitones.

        Source: *MIDI Polyphonic Expression* (2018), "Pitch Bend Sensitivity".
        """
        before = [number for zone in self._zones.values() for number in zone.channels]
        if channel not in (LOWER_MANAGER, UPPER_MANAGER) or not 0 <= members <= 15:
            return {}
        self.configure(channel, members)
        after = {number for zone in self._zones.values() for number in zone.channels}
        reach = {number: MANAGER_RANGE_SEMITONES for number in before if number not in after}
        reach[channel] = MANAGER_RANGE_SEMITONES
        if channel in self._zones:
            reach |= dict.fromkeys(self._zones[channel].member_channels, MEMBER_RANGE_SEMITONES)
        return reach

    def zone_of(self, channel: int) -> Zone | None:
        """Return the zone that a channel belongs to, as manager or member, or None."""
        for zone in self._zones.values():
            if channel in zone.channels:
                return zone
        return None

    def manager_of(self, channel: int) -> int | None:
        """Return the manager of a member channel; None for a manager or a channel outside the zones."""
        zone = self.zone_of(channel)
        return zone.manager if zone is not None and channel != zone.manager else None

    def clear(self) -> None:
        """Forget all zones (after a reset)."""
        self._zones.clear()
