"""What the host knows of its conversions: what it has sent, seen and read, and no true number."""

from __future__ import annotations

from collections import deque


class HostCounts:
    """The host's own counts, and which trigger it takes each frame to answer.

    A frame is believed to answer the oldest trigger that is unanswered; a timeout strikes its
    trigger off, and an idle link strikes all off, where that puts the host right. The host that
    does not trigger itself, since a timer beside the converter does, counts releases in place of
    triggers. A trigger that was missed, or a frame that was lost, makes the belief wrong. What a
    counter in the frames adds to that, `simlink.figures.association` knows.
    """

    def __init__(self, from_host: bool, idle_puts_right: bool) -> None:
        self.from_host = from_host
        self.idle_puts_right = idle_puts_right
        #: Triggers sent, releases seen, frames read.
        self.triggers = self.releases = self.frames = 0
        #: Triggers without a frame as yet, by the number that the host gives them, oldest first.
        self.unanswered: deque[int] = deque()

    def triggered(self, number: int) -> None:
        """Note a trigger that is sent."""
        self.triggers += 1
        self.unanswered.append(number)

    def released(self) -> None:
        """Note a release."""
        if not self.from_host:
            self.unanswered.append(self.releases)
        self.releases += 1

    def gave_up(self, number: int) -> None:
        """Strike off a trigger that no release has followed in time."""
        if number in self.unanswered:
            self.unanswered.remove(number)

    def read(self, idle: bool) -> int | None:
        """Note a frame that has been read; return the trigger that it is taken to answer.

        The link is idle if busy is low now, and nothing else that the host was told of is to be
        read.
        """
        self.frames += 1
        found = self.unanswered.popleft() if self.unanswered else None
        if idle and self.idle_puts_right:
            self.unanswered.clear()
        return found
