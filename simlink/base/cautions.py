"""The cautions that stand in every report."""

from __future__ import annotations

CAUTIONS = (
    "simlink models signal timing and data integrity. It says nothing about safety: insulation "
    "rating, creepage and clearance, working voltage and protective earthing follow the "
    "applicable standards (such as IEC 60664-1 and IEC 61010-1), local codes, and a qualified "
    "engineer's judgement. Figures rest on the distributions entered; verify on hardware."
)
"""str: What simlink does not say, in one paragraph without line breaks."""

BRIEF = (
    "simlink says nothing about safety. Figures rest on the distributions entered; verify on "
    "hardware. The cautions in full: --assumptions."
)
"""str: The same in short, for a screen that has no room for all of it."""
