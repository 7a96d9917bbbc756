"""Timing budgets in closed form: what each clocking scheme's chain of delays leaves.

`terms` says what a term and a margin are, `schemes` which terms each scheme has, `channels` what
its channels carry, `window` which clocks that leaves, `dual_dirac` how jitter counts, `units` how
margins spread over boards, `rates` what follows for sample rate and latency, `loop` for triggers
that wait for the read before them, and `waiting` where frames may wait for one another. `scheme` is
the budget of one scheme and finds the term at fault, `verdict` says whether it meets the rate and
why another does not, and `compare` puts the schemes side by side.
"""

from simlink.budget.compare import Budget, budget
from simlink.budget.scheme import NAMES, SchemeBudget

__all__ = ["NAMES", "Budget", "SchemeBudget", "budget"]
