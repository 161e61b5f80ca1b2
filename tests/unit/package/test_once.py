"""Properties found once an instance, among threads."""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier, BrokenBarrierError

import pytest

from chainweigh.once import once

PATIENCE_S = 20.0


class Holder:
    """Counts how often its property is found, after a meeting with those who find others."""

    def __init__(self, meeting: Barrier | None = None) -> None:
        self.meeting, self.n_found = meeting, 0

    @once
    def value(self) -> list[int]:
        """What is found."""
        self.n_found += 1
        if self.meeting is not None:
            self.meeting.wait(PATIENCE_S)
        return [self.n_found]


def test_a_value_is_found_on_first_use_and_kept_until_let_go():
    holder = Holder()
    assert holder.n_found == 0
    assert holder.value is holder.value
    assert holder.n_found == 1
    holder.__dict__.pop("value", None)
    assert holder.value == [2]


def test_threads_that_ask_for_the_same_value_share_one():
    asked = Barrier(4)
    holder = Holder()

    def ask() -> list[int]:
        asked.wait(PATIENCE_S)
        return holder.value

    with ThreadPoolExecutor(4) as pool:
        values = [future.result() for future in [pool.submit(ask) for _ in range(4)]]
    assert all(value is values[0] for value in values)
    assert holder.n_found == 1


def test_instances_do_not_wait_for_each_other():
    meeting = Barrier(2)
    holders = [Holder(meeting), Holder(meeting)]
    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(lambda holder: holder.value, holders))
    assert found == [[1], [1]]


def test_a_failure_is_not_kept():
    broken = Barrier(1)
    broken.abort()
    holder = Holder(broken)
    with pytest.raises(BrokenBarrierError):
        _ = holder.value
    holder.meeting = None
    assert holder.value == [2]


def test_the_property_tells_what_it_is_on_its_class():
    assert Holder.value.__doc__ == "What is found."
