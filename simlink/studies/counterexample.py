"""A counterexample: draws that break a limit, as few and as near to typical as could be found.

Each law is replaced by draws of its own, at its ends or in between, and the scenario is run with
them (`counterexample_search`).

A law whose draws follow one another (a recording, or two states) gives a stretch of itself, so
that every example is one that the scenario might give. Of a law without bounds the ends are those
of 65,536 draws.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from simlink.base.made import COMMENT
from simlink.base.safe_write import write_set
from simlink.base.wording import many
from simlink.scenario.schema import Scenario
from simlink.studies.counterexample_limits import COUNTED, LIMITS, check, proven_enough
from simlink.studies.counterexample_search import Rows, Search, made_with


@dataclass(frozen=True)
class Counterexample:
    """What was found.

    Attributes
    ----------
    limit : str
        One of `LIMITS`.
    scenario : Scenario
        The one that was asked about.
    rows : dict of str to list of int or None
        The draws of each key in base units, one for a value drawn once; None where no example
        was found.
    conversions : int
        Of the example.
    sentence : str
        What was found, and what is left between the example and a proof.
    """

    limit: str
    scenario: Scenario
    rows: Rows | None
    conversions: int
    sentence: str

    @property
    def found(self) -> bool:
        """Whether there is an example."""
        return self.rows is not None

    def save(self, folder: Path) -> Scenario:
        """Write the example into a folder that exists: a scenario, and recordings beside it."""
        assert self.rows is not None
        make, files = made_with(self.scenario, self.rows, self.conversions, folder)
        write_set(folder, files)
        example = make()
        text = f"{COMMENT}\n# {self.sentence}\n{example.to_toml(folder)}"
        write_set(folder, {"counterexample.toml": text.encode()})
        return example


def counterexample(scenario: Scenario, limit: str) -> Counterexample:
    """Look for draws that break a limit.

    Parameters
    ----------
    scenario : Scenario
        Of any scheme.
    limit : str
        One of `LIMITS`.

    Returns
    -------
    Counterexample
        The same for the same scenario.

    Raises
    ------
    InputError
        If the limit does not apply to the scenario.
    """
    check(scenario, limit)
    counted = limit in COUNTED
    here = scenario.fifo.depth if limit == "fifo" else scenario.fifo.release_bits
    needed, known, why = proven_enough(scenario, limit)
    unit = "slot" if limit == "fifo" else "bit"
    if needed is not None and (needed <= here or not counted):
        said = "the limit is proven never to be broken"
        if counted:
            said = f"{many(needed, unit)} of {here}: proven enough"
        said = f"There is no counterexample: {said}, {known}."
        return Counterexample(limit, scenario, None, 0, said)
    search = Search(scenario, limit)
    found = search.find()
    words = LIMITS[limit]
    if found is None:
        said = f"no draws were found at which {words}, and no proof that there are none"
        said += f": {why}" if why else ""
        if search.refused:
            said += "; some draws were not tried, for a scenario with them alone is refused"
        if counted and needed is not None:
            said += f"; {many(needed, unit)}: proven enough"
        return Counterexample(limit, scenario, None, 0, f"Undecided: {said}.")
    rows, conversions = found
    said = f"after {many(conversions, 'conversion')} {words}"
    if counted and needed is not None:
        said = f"{many(needed, unit)}: proven enough; {here}: {said}, example"
        if needed - 1 == here:
            said += "; nothing undecided"
        elif Search(scenario.with_value(COUNTED[limit], needed - 1), limit).find(small=False):
            said += f"; {needed - 1}: can be broken, too"
        else:
            said += f"; {needed - 1}: undecided"
    elif counted:
        said = f"{many(here, unit)}: {said}, example; nothing is proven enough: {why}"
    else:
        said = f"The limit can be broken: {said}"
    return Counterexample(limit, scenario, rows, conversions, f"{said}.")
