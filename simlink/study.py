"""The public way in: a scenario, and everything that can be asked of it.

``simlink.load(path).run()`` gives a ledger and figures; the other questions are methods beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simlink.base.wording import many
from simlink.scenario.loading import Scenario
from simlink.scenario.loading import load as load_scenario

if TYPE_CHECKING:
    from collections.abc import Mapping

    from simlink.budget import Budget
    from simlink.pictures.diagram import Diagram
    from simlink.running.run import Run
    from simlink.studies.judge import Judgement
    from simlink.studies.loss import LossStudy
    from simlink.studies.pass_map import PassMap
    from simlink.studies.sizing_result import Sizing
    from simlink.studies.spectrum_result import SpectrumStudy
    from simlink.studies.vary import Variation
    from simlink.tracing.explain import Explanation
    from simlink.tracing.trace import Trace
    from simlink.waveform.comparing import Comparison


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

    def with_(self, values: Mapping[str, Any] | None = None, **keys: Any) -> Study:
        """Return a study of the scenario with other values, all changed at once.

        Parameters
        ----------
        values : mapping of str to object, optional
            By dotted keys: ``{"fifo.depth": 8, "host.clock": "40 MHz"}``; None leaves a key out.
        **keys
            Top-level keys, ``seed=2``, and tables of which the keys given change:
            ``fifo={"depth": 8}``.

        Returns
        -------
        Study

        Raises
        ------
        InputError
            When there is no such key, or the scenario does not make sense with those values.
        """
        wanted = dict(values or {})
        for key, value in keys.items():
            if isinstance(value, dict):
                wanted.update({f"{key}.{inner}": one for inner, one in value.items()})
            else:
                wanted[key] = value
        return Study(self.scenario.with_values(wanted))

    def trace(self, conversions: range | None = None, trial: int = 0) -> Trace:
        """Keep every signal over a window of conversions; see `tracing.trace.trace`."""
        from simlink.tracing.trace import trace

        return trace(self.scenario, conversions, trial)

    def size(self, sought: str = "depth", *, at_most: float, **options: Any) -> Sizing:
        """Find the smallest FIFO or release threshold, or the highest trigger rate.

        Parameters
        ----------
        sought : {"depth", "release-bits", "trigger-rate"}
            What is sought.
        at_most : float
            The largest share of words that may overrun (of ``release-bits``: underrun).
        **options
            ``confidence``, ``trials``, ``budget``, ``engine``, ``workers``, ``beyond_proof``,
            as of the command; see `simlink.studies.size.size`.
        """
        from simlink.studies.size import size

        return size(self.scenario, sought, at_most=at_most, **options)

    def loss(self, **options: Any) -> LossStudy:
        """Compute how often the FIFO overruns, however rare.

        Parameters
        ----------
        **options
            ``width`` (how far apart the proven bounds may be, as a share) and ``conversions``
            (of so many from an empty FIFO; else the long run), as of the command; see
            `simlink.studies.loss.loss`.
        """
        from simlink.studies.loss import loss

        return loss(self.scenario, **options)

    def judge(self, **options: Any) -> Judgement:
        """Run until every requirement is decided; see `simlink.studies.judge.judge`."""
        from simlink.studies.judge import judge

        return judge(self.scenario, **options)

    def spectrum(self, **options: Any) -> SpectrumStudy:
        """Compare the channel with the same converter and an ideal trigger.

        Parameters
        ----------
        **options
            ``engine``, ``lane`` and ``position`` (of which converter); see
            `simlink.studies.spectrum.spectrum`.
        """
        from simlink.studies.spectrum import spectrum

        return spectrum(self.scenario, **options)

    def vary(self, keys: dict[str, Any], figure: str = "overrun", **options: Any) -> Variation:
        """Run over the values of one or two keys, every point on the same draws.

        Parameters
        ----------
        keys : dict of str to str or iterable
            ``{"fifo.depth": "1..8"}`` or ``{"fifo.depth": [1, 2, 4]}``.
        figure : str
            The figure to draw; all of them are in the table.
        **options
            ``engine``, ``workers``, as of the command; see `simlink.studies.vary.vary`.
        """
        from simlink.studies.vary import vary

        return vary(self.scenario, keys, figure, **options)

    def budget(self, **options: Any) -> Budget:
        """Compare the clocking schemes in closed form.

        Parameters
        ----------
        **options
            As of the command; see `simlink.budget.budget`.
        """
        from simlink.budget import budget

        return budget(self.scenario, **options)

    def explain(self, word: int | None = None, **options: Any) -> Explanation:
        """Explain what became of one conversion; see `simlink.tracing.explain.explain`."""
        from simlink.tracing.explain import explain

        return explain(self.scenario, word, **options)

    def diagram(self, conversions: str = "0:1", *, limits: bool = False, **options: Any) -> Diagram:
        """Draw a timing diagram.

        Parameters
        ----------
        conversions : str
            Which, as of the command: ``"0:2"``, ``"overrun"``.
        limits : bool
            Whether to write least, typical and largest of the run as well.
        **options
            As of the command: ``since`` and ``until`` (its ``--from`` and ``--to``), ``signals``,
            ``width``, ``to_scale``, ``bands``, ``names`` (its ``--intervals``), ``pins`` (its
            ``--names``), ``plain``, ``dark``, ...; see `simlink.pictures.diagram.draw`.
        """
        from simlink.pictures.diagram import draw
        from simlink.tracing.run_limits import over_run

        measured = over_run(self.scenario) if limits else None
        return draw(self.scenario, conversions, limits=measured, **options)

    def timing_table(self, kind: str = "md") -> str:
        """Return the timing table of the run: min, typ and max of the laws, beside what was seen.

        Parameters
        ----------
        kind : {"md", "csv", "tex"}
            Markdown, CSV or LaTeX.
        """
        from simlink.pictures.timing_table import timing_table
        from simlink.tracing.law_limits import law_limits
        from simlink.tracing.pin_names import pins_of
        from simlink.tracing.run_limits import over_run

        measured = over_run(self.scenario)
        return timing_table(
            measured,
            kind,
            over=measured.over,
            laws=law_limits(self.scenario),
            pins=pins_of(self.scenario),
            scheme=self.scenario.link.scheme,
        )

    def dump(self, path: str | Path, **options: Any) -> None:
        """Simulate one unit and write every signal as a waveform dump (IEEE Std 1364 VCD).

        Parameters
        ----------
        path : str or Path
            The file; it is there whole or not at all.
        **options
            ``conversions`` (a range), ``trial``, ``step`` (the timescale in fs) and ``signals``
            (a list of patterns); see `simlink.waveform.dumping.dump`.
        """
        from simlink.waveform.dumping import dump

        dump(self.scenario, path, **options)

    def measure(
        self, path: str | Path, lines: dict[str, str] | None = None, conversions: int = 2000
    ) -> Comparison:
        """Measure the named intervals on a waveform dump, beside those of the simulation.

        Parameters
        ----------
        path : str or Path
            A dump, simulated or captured on hardware.
        lines : dict of str to str, optional
            What a signal is called in the dump: ``{"remote.clock": "D2"}``, with ``!`` ahead of
            a line that is active low.
        conversions : int
            Measure no more than so many.

        Returns
        -------
        Comparison
            Its ``rows`` are the intervals, its ``complaints`` what is wrong with the dump.
        """
        from simlink.waveform.comparing import compare

        return compare(self.scenario, Path(path), lines or {}, conversions)

    def pass_map(self, **options: Any) -> PassMap:
        """Map the share of good frames over serial clock and one-way barrier delay.

        Parameters
        ----------
        **options
            ``clocks`` (in Hz), ``delays`` (in fs), ``steps``, ``trials``, ``conversions``,
            ``workers``; see `simlink.studies.pass_map.pass_map`.
        """
        from simlink.studies.pass_map import pass_map

        return pass_map(self.scenario, **options)

    def _repr_html_(self) -> str:
        from html import escape

        from simlink.base.errors import printable

        title = escape(printable(self.scenario.title or self.scenario.name))
        rows = "".join(
            f"<tr><td>{escape(one.key)}</td><td>{escape(str(one.value))}</td>"
            f"<td>{escape(one.why)}</td></tr>"
            for one in self.scenario.assumed
        )
        return (
            f"<b>{title}</b><p>{escape(self.scenario.link.scheme.replace('_', ' '))}, "
            f"{many(self.scenario.trials, 'board')} of "
            f"{many(self.scenario.conversions, 'conversion')}.</p>"
            f"<table><tr><th>assumed</th><th>value</th><th>why</th></tr>{rows}</table>"
        )


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
