"""The public way in: a scenario, and everything that can be asked of it.

``simlink.load(path).run()`` gives a ledger and figures; the other questions are methods beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simlink.scenario.loading import Scenario
from simlink.scenario.loading import load as load_scenario

if TYPE_CHECKING:
    from simlink.budget import Budget
    from simlink.pictures.diagram import Diagram
    from simlink.running.run import Run
    from simlink.studies.loss import LossStudy
    from simlink.studies.sizing_result import Sizing
    from simlink.studies.vary import Variation
    from simlink.tracing.explain import Explanation
    from simlink.tracing.trace import Trace


@dataclass(frozen=True)
class Study:
    """A scenario, ready to be asked.

    Attributes
    ----------
    scenario : Scenario
        As it was loaded.
    """

    scenario: Scenario

    def run(
        self,
        *,
        seed: int | None = None,
        trials: int | None = None,
        conversions: int | None = None,
        engine: str = "auto",
        ledger: bool | None = None,
        workers: int | None = 1,
    ) -> Run:
        """Run the scenario; see `simlink.running.run.run` for the arguments."""
        from simlink.running.run import run

        scenario = self.scenario.with_(seed=seed, trials=trials, conversions=conversions)
        return run(scenario, engine=engine, ledger=ledger, workers=workers)

    def trace(self, conversions: range | None = None, trial: int = 0) -> Trace:
        """Keep every signal over a window of conversions; see `tracing.trace.trace`."""
        from simlink.tracing.trace import trace

        return trace(self.scenario, conversions, trial)

    def size(self, sought: str = "depth", *, at_most: float, **options: Any) -> Sizing:
        """Find the smallest depth or release, or the highest rate; see `studies.size.size`."""
        from simlink.studies.size import size

        return size(self.scenario, sought, at_most=at_most, **options)

    def loss(self, **options: Any) -> LossStudy:
        """Compute how often the FIFO overruns, however rare; see `simlink.studies.loss.loss`."""
        from simlink.studies.loss import loss

        return loss(self.scenario, **options)

    def vary(self, keys: dict[str, Any], figure: str = "overrun", **options: Any) -> Variation:
        """Run over the values of one or two keys; see `simlink.studies.vary.vary`."""
        from simlink.studies.vary import vary

        return vary(self.scenario, keys, figure, **options)

    def budget(self, **options: Any) -> Budget:
        """Compare the clocking schemes in closed form; see `simlink.budget.budget`."""
        from simlink.budget import budget

        return budget(self.scenario, **options)

    def explain(self, word: int | None = None, **options: Any) -> Explanation:
        """Explain what became of one conversion; see `simlink.tracing.explain.explain`."""
        from simlink.tracing.explain import explain

        return explain(self.scenario, word, **options)

    def diagram(self, conversions: str = "0:1", **options: Any) -> Diagram:
        """Draw a timing diagram; see `simlink.pictures.diagram.draw`."""
        from simlink.pictures.diagram import draw

        return draw(self.scenario, conversions, **options)


def load(path: str | Path) -> Study:
    """Load a scenario file.

    Parameters
    ----------
    path : str or Path
        A TOML scenario.

    Returns
    -------
    Study
        Ready to ``run()``.

    Raises
    ------
    InputError
        With one line that names file, key, value and what is allowed.
    """
    return Study(load_scenario(path))
