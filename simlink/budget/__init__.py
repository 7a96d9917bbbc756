"""Timing budgets in closed form: what each clocking scheme's chain of delays leaves.

`terms` says what a term and a margin are, `schemes` which terms each scheme has, `channels` what
its channels carry, `window` which clocks that leaves, `dual_dirac` how jitter counts, `units` how
margins spread over built units, `rates` what follows for sample rate and latency, `compare` puts
the schemes side by side, and `verdict` says which of them does and why another does not.
"""

from simlink.budget.compare import NAMES, Budget, SchemeBudget, budget

__all__ = ["NAMES", "Budget", "SchemeBudget", "budget"]
