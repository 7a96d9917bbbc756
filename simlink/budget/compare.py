"""The budget of a scenario: the three schemes on its converter, barrier and host."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import TYPE_CHECKING, Any

from simlink.base.cautions import CAUTIONS
from simlink.base.json_text import AsJson
from simlink.budget import verdict
from simlink.budget.dual_dirac import USUAL_BER, q_factor
from simlink.budget.scheme import SchemeBudget
from simlink.budget.schemes import SCHEMES
from simlink.budget.units import BuiltUnits
from simlink.scenario.schema import Scenario

if TYPE_CHECKING:
    import pandas as pd

#: Boards that a yield is counted over unless said.
USUAL_TRIALS = 1000
#: The share of boards that shall work at the highest clock named "statistical".
USUAL_YIELD = 0.999


class Budget(AsJson, Mapping[str, SchemeBudget]):
    """The budgets of the three schemes by name; shows itself as a table in a notebook.

    Attributes
    ----------
    scenario : Scenario
        Whose converter, barrier and host.
    ber : float
        The bit-error ratio that jitter counts at.
    """

    def __init__(self, scenario: Scenario, ber: float, count: int, wanted: float) -> None:
        self.scenario = scenario
        self.ber = ber
        self.wanted = wanted
        built = BuiltUnits(scenario.seed, count)
        self._found = {
            scheme: SchemeBudget(scenario, scheme, ber, built, wanted) for scheme in SCHEMES
        }

    def __getitem__(self, scheme: str) -> SchemeBudget:
        return self._found[scheme]

    def __iter__(self) -> Iterator[str]:
        return iter(self._found)

    def __len__(self) -> int:
        return len(self._found)

    @cached_property
    def sentence(self) -> str:
        """Which scheme meets the scenario's rate, and why the others do not."""
        return verdict.sentence(list(self._found.values()))

    @cached_property
    def meets(self) -> dict[str, bool | None]:
        """Whether each scheme meets the rate; None where the scenario asks for none."""
        return {name: verdict.judge(one).meets for name, one in self._found.items()}

    def to_dict(self) -> dict[str, Any]:
        """Return the budgets as JSON holds them: times in seconds, frequencies in Hz."""
        rate = self.scenario.trigger.rate
        return {
            "title": self.scenario.title,
            "scheme": self.scenario.link.scheme,
            "rate": None if rate is None else float(rate.value),
            "seed": self.scenario.seed,
            "bit_error_ratio": self.ber,
            "q": q_factor(self.ber),
            "wanted_yield": self.wanted,
            "verdict": self.sentence,
            "meets_rate": self.meets,
            "schemes": {name: one.to_dict() for name, one in self._found.items()},
            "cautions": CAUTIONS,
        }

    def to_pandas(self) -> pd.DataFrame:
        """Return one row a term: scheme, margin, term, nominal, worst (s), from."""
        import pandas as pd

        rows = [{"scheme": name, **row} for name, one in self.items() for row in one.rows()]
        return pd.DataFrame(rows)

    def _repr_html_(self) -> str:
        frame = self.to_pandas()
        return f"<p><b>{self.sentence}</b></p>" + str(frame.to_html())


def budget(
    scenario: Scenario,
    *,
    ber: float = USUAL_BER,
    trials: int = USUAL_TRIALS,
    wanted_yield: float = USUAL_YIELD,
) -> Budget:
    """Return the timing budget of a scenario's parts in each of the three schemes.

    Parameters
    ----------
    scenario : Scenario
        Its converter, barrier, host and remote clock; whichever scheme it names.
    ber : float
        The bit-error ratio that jitter counts at, above 0 and at most 0.5.
    trials : int
        Boards that the yield is counted over.
    wanted_yield : float
        The share of boards that shall work at the statistical highest clock.

    Returns
    -------
    Budget
        By scheme.

    Raises
    ------
    InputError
        When a jitter is neither bounded nor normal.
    """
    return Budget(scenario, ber, trials, wanted_yield)
