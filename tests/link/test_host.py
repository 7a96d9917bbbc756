"""The host's rules at their boundaries and a femtosecond either side."""

from __future__ import annotations

import pytest

from simlink.base.instants import NEVER
from simlink.link import host


@pytest.mark.parametrize(
    ("idle", "begins"), [(NEVER, 1306), (1305, 1306), (1306, 1306), (1307, 1307)]
)
def test_a_service_begins_when_the_host_is_idle_and_a_frame_released(idle, begins):
    """The release is at 1306."""
    assert host.begins_at(idle, 1306) == begins


def test_a_read_starts_a_latency_after_its_service():
    assert host.reads_from(1306, 100) == 1406


@pytest.mark.parametrize(("release", "read"), [(1565, True), (1566, True), (1567, False)])
def test_a_host_reads_on_what_is_released_by_the_end_of_its_read(release, read):
    """The read ends at 1566; a release at that very instant is decided first."""
    assert host.is_read_on(release, 1566) is read


@pytest.mark.parametrize(("taken", "early"), [(1299, True), (1300, False), (1301, False)])
def test_a_bit_pushed_at_the_instant_it_is_taken_is_there(taken, early):
    assert host.underruns(taken, 1300) is early


@pytest.mark.parametrize(("release", "falls"), [(1999, True), (2000, True), (2001, False)])
def test_busy_falls_unless_a_later_trigger_was_sent_before(release, falls):
    """The next trigger leaves at 2000; a release at that very instant comes first."""
    assert host.busy_falls(release, 2000) is falls


@pytest.mark.parametrize(("release", "given_up"), [(2999, False), (3000, False), (3001, True)])
def test_a_release_at_the_end_of_the_wait_is_in_time(release, given_up):
    """The wait ends at 3000."""
    assert host.gives_up(release, 3000) is given_up


@pytest.mark.parametrize(("arrival", "ends"), [(1305, 1306), (1306, 1307), (1307, 1306)])
def test_what_an_arriving_trigger_sets_going_comes_after_the_timeout(arrival, ends):
    """Released at 1306: only where the trigger arrives then, the wait ends after that instant."""
    assert host.ends_wait(1306, arrival) == ends


@pytest.mark.parametrize(("expires", "given_up"), [(1305, True), (1306, True), (1307, False)])
def test_a_timeout_at_a_triggers_arrival_gives_up_though_released_then(expires, given_up):
    """Arrival and release at 1306: a wait that ends then ends before the release."""
    assert host.gives_up(host.ends_wait(1306, 1306), expires) is given_up


def test_a_conversion_is_struck_off_the_list_once_its_wait_is_over():
    """Triggered at 100 and waited for 50: a read that ends then ends first."""
    assert [host.struck_off(100, 50, now) for now in (149, 150, 151)] == [False, False, True]
