"""What became of a conversion, and which fate wins where several apply.

Dropped is a frame whose check failed, whose words the host does not use, whatever they say.
"""

from __future__ import annotations

from enum import IntEnum


class Fate(IntEnum):
    """What became of a conversion, and so of each of its words."""

    NOT_SENT = -1
    DELIVERED = 0
    MISSED_TRIGGER = 1
    OVERRUN = 2
    UNDERRUN = 3
    CORRUPTED = 4
    NOT_RECEIVED = 5
    IN_FLIGHT = 6
    DROPPED = 7

    @property
    def word(self) -> str:
        """The fate as the ledger spells it."""
        return self.name.lower()

    @property
    def said(self) -> str:
        """The fate as a sentence has it."""
        return self.word.replace("_", " ")


#: As plain numbers, for what is compiled.
NOT_SENT = int(Fate.NOT_SENT)
DELIVERED = int(Fate.DELIVERED)
MISSED_TRIGGER = int(Fate.MISSED_TRIGGER)
OVERRUN = int(Fate.OVERRUN)
UNDERRUN = int(Fate.UNDERRUN)
CORRUPTED = int(Fate.CORRUPTED)
NOT_RECEIVED = int(Fate.NOT_RECEIVED)
IN_FLIGHT = int(Fate.IN_FLIGHT)
DROPPED = int(Fate.DROPPED)


def fate_of_read(underrun: bool, wrong: bool) -> int:
    """Return the fate of a frame that was read: underrun before corrupted before delivered.

    Parameters
    ----------
    underrun : bool
        Whether any bit was taken before it was pushed.
    wrong : bool
        Whether any bit was captured wrong on its way.
    """
    if underrun:
        return UNDERRUN
    return CORRUPTED if wrong else DELIVERED


def fate_of_failed(fate: int) -> int:
    """Return the fate of a frame that the host drops, since its check has failed.

    What was clocked out before its bits had come is no frame that a check could be made of.
    """
    return fate if fate == UNDERRUN else DROPPED
