"""Lateral motor board and recovery channels: continuity, arming that expires, firing that burns the bridge."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from server.twin.sandpiper import FiringNumbers


@dataclass
class Igniter:
    """One igniter channel. `expires_s` is None for an arming that lasts (recovery in flight)."""

    continuity: bool
    armed: bool = False
    fired: bool = False
    expires_s: float | None = None
    fires_s: float | None = None

    def arm(self, expires_s: float | None) -> None:
        """Arm until a time on the vehicle's clock, or for good."""
        self.armed, self.expires_s = True, expires_s

    def safe(self) -> None:
        """Disarm; a firing not yet done is given up."""
        self.armed, self.expires_s, self.fires_s = False, None, None

    def fire(self, at_s: float) -> None:
        """Send the current at a time, if still armed then."""
        self.fires_s = at_s

    def step(self, now_s: float) -> bool:
        """Let time pass; returns True in the step in which the igniter burns."""
        if self.armed and self.expires_s is not None and now_s >= self.expires_s:
            self.safe()
        if self.fires_s is None or now_s < self.fires_s:
            return False
        burned = self.armed and self.continuity
        self.safe()
        if burned:
            self.fired, self.continuity = True, False
        return burned


class FiringBoard:
    """Four lateral channels behind one inhibit, and two recovery channels that the inhibit does not touch."""

    def __init__(self, numbers: FiringNumbers) -> None:
        self.fire_delay_s = numbers.fire_delay_s
        self.inhibited = True
        self.lateral = [Igniter(c) for c in numbers.lateral_continuity]
        self.recovery = [Igniter(c) for c in numbers.recovery_continuity]

    def inhibit(self) -> None:
        """Inhibit the lateral board; an armed lateral channel does not outlive it."""
        self.inhibited = True
        for channel in self.lateral:
            channel.safe()

    def restart(self) -> None:
        """Take the safe state of a start: nothing armed, board inhibited; burned igniters stay burned."""
        self.inhibit()
        for channel in self.recovery:
            channel.safe()

    def step(self, now_s: float) -> Iterator[tuple[str, int]]:
        """Let time pass; yields (kind, number) of each igniter that burns."""
        for kind, channels in (("lateral", self.lateral), ("recovery", self.recovery)):
            for number, channel in enumerate(channels, 1):
                if (channel.armed or channel.fires_s is not None) and channel.step(now_s):
                    yield kind, number
