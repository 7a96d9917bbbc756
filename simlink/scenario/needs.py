"""What a question needs of a scenario, beside what its file has to hold."""

from __future__ import annotations

from simlink.base.errors import InputError
from simlink.scenario.schema import Scenario


def need_fifo(scenario: Scenario) -> None:
    """Refuse a question about the FIFO where no FIFO stands between converter and host."""
    scheme = scenario.link.scheme
    if scheme != "remote_master":
        said = "remote_master, the one scheme with a FIFO"
        raise InputError(scenario.name, "link.scheme", scheme, said)
