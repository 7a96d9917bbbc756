"""Colours, line widths and type sizes of timing diagrams: light, dark, and black on white.

A colour never carries a meaning alone: sides differ by place and tint, states of a line by shape
and hatch, fates by their word and sign. Tints differ in lightness, so a grey print keeps them.
"""

from __future__ import annotations

from dataclasses import dataclass

MM = 25.4
#: Points in a millimetre.
POINTS = 72 / MM


@dataclass(frozen=True)
class Palette:
    """What everything is drawn with: black on white, but for what is said."""

    paper: str = "#ffffff"
    ink: str = "#000000"
    quiet: str = "#000000"
    hair: str = "#000000"
    remote: str = "#ffffff"
    host: str = "#ffffff"
    barrier: str = "#ffffff"
    barrier_hatch: str = "#000000"
    crossing: str = "#000000"
    fill: str = "#ffffff"
    unknown: str = "#000000"
    band: str = "#ffffff"
    window: str = "#ffffff"
    bad: str = "#000000"
    upset: str = "#ffffff"
    #: Whether areas differ by hatching alone.
    plain: bool = False


LIGHT = Palette(
    ink="#1c2a35",
    quiet="#5d6b76",
    hair="#9aa6ae",
    remote="#f6f1e4",
    host="#eaf2f5",
    barrier_hatch="#cdd4d9",
    crossing="#b0421a",
    fill="#bcd9e2",
    unknown="#aab4bb",
    band="#e2c36b",
    window="#c9a3c2",
    bad="#b0421a",
    upset="#f0b7a0",
)
DARK = Palette(
    paper="#11181d",
    ink="#e8eef2",
    quiet="#a3b0b9",
    hair="#61707b",
    remote="#262520",
    host="#1a2830",
    barrier="#11181d",
    barrier_hatch="#3d4a54",
    crossing="#ff9a66",
    fill="#2f5a6b",
    unknown="#5d6a74",
    band="#8a7434",
    window="#6e4b69",
    bad="#ff9a66",
    upset="#7a3f2c",
)
PLAIN = Palette(plain=True)


@dataclass(frozen=True)
class Sizes:
    """Sizes for one column width: type in points, lengths in millimetres."""

    text: float
    small: float
    row: float
    row_gap: float
    lane: float
    band: float
    strip: float
    trace: float
    thin: float


NARROW = Sizes(6.2, 5.4, 3.4, 1.35, 2.85, 5.5, 2.3, 0.75, 0.4)
WIDE = Sizes(7.0, 6.0, 4.2, 2.0, 3.5, 8.5, 2.7, 0.9, 0.45)


def sizes(width: float) -> Sizes:
    """Return the sizes for a picture of a width in mm."""
    return NARROW if width < 120 else WIDE
