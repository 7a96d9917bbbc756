"""Transients on a link that the host's own clock reads: both engines give the same records.

What each event costs is worked by hand in `test_transients`.
"""

import os

from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.engines.batch import BatchEngine
from simlink.scenario.loading import from_dict
from tests.engines.agreement import differences, differences_across_stretches
from tests.engines.chain import put
from tests.engines.host_clocked_scenarios import raw_serial_scenarios
from tests.engines.test_transients import SOURCES, UPSETS

#: How many random scenarios are compared; raise it by hand.
MANY = int(os.environ.get("SIMLINK_MANY") or 100)


@st.composite
def upset_scenarios(draw):
    """Draw a random scenario of either scheme, with transients."""
    raw = draw(raw_serial_scenarios())
    loops = raw["trigger"].get("pattern") == "after_read"
    sources = [one for one in SOURCES if not (loops and one["kind"] == "locked")]
    chosen = draw(st.lists(st.sampled_from(sources), min_size=1, max_size=3))
    values = UPSETS | {"transient": chosen, "barrier.upset": draw(st.sampled_from([1, 1, 0.5]))}
    way = draw(st.sampled_from(["", "", "forward.", "return."]))
    values[f"barrier.{way}slew_immunity"] = values.pop("barrier.slew_immunity")
    return from_dict(put(raw, values))


@settings(max_examples=MANY)
@given(upset_scenarios())
def test_random_transients_give_the_same_records(scenario):
    assert BatchEngine().refuses(scenario) is None
    assert differences(scenario) == []


@settings(max_examples=max(1, MANY // 2))
@given(upset_scenarios())
def test_random_transients_give_the_same_records_across_stretches(scenario):
    assert differences_across_stretches(scenario) == []
