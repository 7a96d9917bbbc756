"""A budget in words: the sentence, the schemes side by side, and every chain of terms."""

from __future__ import annotations

from fractions import Fraction
from functools import partial
from typing import TYPE_CHECKING

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import printable
from simlink.base.wording import clock_limit, most_of, short_time
from simlink.figures.cycle import total
from simlink.pictures import text as paragraphs

if TYPE_CHECKING:
    from simlink.budget import Budget, SchemeBudget
    from simlink.budget.terms import Margin
    from simlink.budget.window import Window

#: Lines are longer than elsewhere: the schemes stand side by side.
wrapped = partial(paragraphs.wrapped, width=92)
#: The margins whose terms are listed; of the others the rest alone.
_LISTED = ("setup", "hold")
#: Behind a latency that a wait for other frames may add to.
_WAIT = " + wait"


def table(budget: Budget) -> str:
    """Return a budget as text for a terminal.

    Parameters
    ----------
    budget : Budget
        The three schemes on a scenario's parts.

    Returns
    -------
    str
        Title, verdict, the schemes side by side, the chains of terms of each, and the cautions.
        It ends with a line break.
    """
    scenario = budget.scenario
    title = printable(scenario.title or scenario.name)
    parts = [f"{title}\n{wrapped(budget.sentence)}", side_by_side(budget)]
    parts += [chains(one) for one in budget.values()]
    has_fault = scenario.fault.threshold is not None
    beside = "Select and configuration" if has_fault else "Select, configuration and fault"
    parts.append(
        wrapped(
            f"Worst is the arithmetic sum of the terms at the ends of their laws, with Gaussian "
            f"jitter at a bit-error ratio of {budget.ber:g} (one-sided Q of the dual-Dirac rule). "
            f"Statistical is the highest clock at which {most_of(budget.wanted)} of boards "
            f"work by the normal law. {beside} lines come on top of the "
            f"signals." + (" Common-mode events are left aside." if scenario.transient else "")
        )
    )
    if scenario.trigger.pattern == "after_read":
        parts.append(
            wrapped(
                "Triggers wait for the host: the highest sample rate is that of the loop of "
                "trigger, read and gap, on average, as long as the host gives no frame up."
            )
        )
    parts += [wrapped(said) for said in [_wait(budget)] if said]
    parts.append(wrapped(f"Cautions: {CAUTIONS}"))
    return "\n\n".join(parts) + "\n"


def side_by_side(budget: Budget) -> str:
    """Return one column a scheme, one line a figure."""
    columns = [_column(one) for one in budget.values()]
    rows = [("", *(one.name for one in budget.values()))]
    rows += [(name, *(column[name] for column in columns)) for name in columns[0]]
    return paragraphs.columns(rows)


def _column(one: SchemeBudget) -> dict[str, str]:
    setup, hold = one.margin("setup"), one.margin("hold")
    yields, latency, signals = one.yields, one.latency, one.signals
    nominal = worst = "-"
    if latency is not None:
        least, most = one.waited
        nominal = short_time(total(span.mean for span in latency)) + (_WAIT if least else "")
        worst = short_time(total(span.largest for span in latency)) + (_WAIT if most else "")
    at_hand = "" if signals.at_hand is None else f" of {signals.at_hand} at hand"
    return {
        "serial clock of the scenario": clock_limit(one.clock),
        "setup margin, nominal": short_time(setup.left(one.clock)),
        "setup margin, worst": _worst(one, setup),
        "hold margin, nominal": short_time(hold.left(one.clock)),
        "hold margin, worst": _worst(one, hold),
        "highest clock, nominal": _end(one.nominal, "highest"),
        "highest clock, worst": _end(one.worst, "highest"),
        "  set by": one.worst.by or "-",
        "highest clock, statistical": _clock(one.statistical),
        "lowest clock, worst": _end(one.worst, "lowest"),
        "boards that work, built": f"{yields.working} of {yields.units}",
        "boards that work, normal law": most_of(min(yields.normal.values())),
        "clock judged at": _clock(one.used),
        "highest sample rate": _clock(one.sample_rate),
        "latency to the last bit, nominal": nominal,
        "latency to the last bit, worst": worst,
        "isolation channels to the converter": _listed(signals.forward),
        "isolation channels to the host": _listed(signals.back),
        "isolation channels": f"{signals.count}{at_hand}",
    }


def _wait(budget: Budget) -> str:
    """Say what each latency with ``+ wait`` leaves aside."""
    said = [
        f"of the {one.name}, {one.waiting.why}"
        for one in budget.values()
        if one.waiting is not None and any(one.waited)
    ]
    if not said:
        return ""
    return (
        f"{_WAIT.strip()}: such a latency is that of a frame that waits for no other. Here frames "
        f"may wait: {'; '.join(said)}. A run tells how long."
    )


def _clock(rate: Fraction | None) -> str:
    return "-" if rate is None else clock_limit(rate)


def _listed(signals: dict[str, int]) -> str:
    said = [name if many == 1 else f"{many} {name}" for name, many in signals.items()]
    return ", ".join(said) or "none"


def _worst(one: SchemeBudget, margin: Margin) -> str:
    return short_time(margin.left_at_worst(one.clock, one.ber))


def _end(window: Window, which: str) -> str:
    if not window.is_open:
        return "none will do"
    value = window.highest if which == "highest" else window.lowest
    return "no limit" if value is None else clock_limit(value, upwards=which == "lowest")


def chains(one: SchemeBudget) -> str:
    """Return the terms of a scheme's setup and hold, what they leave, and what is refused."""
    lines = [f"{one.name}, at {clock_limit(one.clock)}"]
    lines += [_chain(one, one.margin(name)) for name in _LISTED]
    others = [margin for margin in one.margins if margin.name not in _LISTED]
    rest = [f"{margin.name} {_worst(one, margin)}" for margin in others]
    lines.append(wrapped("also left, worst: " + "; ".join(rest), "  ", "    "))
    lines += [wrapped(f"refused: {said}", "  ", "    ") for said in one.refusals()]
    return "\n".join(lines)


def _chain(one: SchemeBudget, margin: Margin) -> str:
    rows = [(margin.name, "nominal", "worst", "from")]
    nominal = short_time(margin.interval(one.clock, margin.mean_off))
    worst = short_time(margin.interval(one.clock, margin.worst_off))
    rows.append(("  time it has", nominal, worst, _time_from(one, margin)))
    gaussian = [one for one in margin.terms if one.drawn == "edge" and one.jitter.sigma > 0]
    silent = []
    for term in margin.terms:
        if term.nominal == 0 == term.worst:
            if term not in gaussian:
                silent.append(term.name)
            continue
        name = f"  {term.name}"
        rows.append((name, short_time(-term.nominal), short_time(-term.worst), term.key))
    random = margin.random(one.ber)
    if random:
        edges = f"{len(gaussian)} edges" if len(gaussian) > 1 else "an edge"
        name = f"  random jitter of {edges}"
        said = f"Q x rms of {' and '.join(sorted({term.key for term in gaussian}))}"
        rows.append((name, short_time(0), short_time(-random), said))
    rows.append(("  = left", short_time(margin.left(one.clock)), _worst(one, margin), ""))
    chain = paragraphs.columns(rows)
    if silent:
        chain += "\n" + wrapped("zero: " + "; ".join(silent), "      ", "      ")
    return chain


def _time_from(one: SchemeBudget, margin: Margin) -> str:
    said = [f"{float(margin.periods):g} T of {one.clock_key}"] if margin.periods else []
    said += ["host.capture"] if margin.fixed else []
    return " and ".join(said) or "no part of the period"
