"""Waiting for the disk's word."""

from __future__ import annotations

from server.recording.sync_tickets import Tickets


def test_only_the_records_on_the_disk_are_confirmed() -> None:
    tickets = Tickets()
    first, second = tickets.open(1), tickets.open(2)
    assert tickets and not first.settled
    tickets.confirm([0, 1])
    assert first.wait(0) and first.failure is None
    assert not second.wait(0)
    tickets.confirm([2])
    assert second.settled and not tickets


def test_a_failure_reaches_everybody_once() -> None:
    tickets = Tickets()
    one, other = tickets.open(1), tickets.open(2)
    tickets.fail_all("The disk is full.")
    assert [one.failure, other.failure] == ["The disk is full."] * 2
    assert one.settled and other.settled and not tickets
    tickets.confirm([1])
    assert one.failure == "The disk is full."


def test_who_stopped_waiting_is_not_answered() -> None:
    tickets = Tickets()
    ticket = tickets.open(1)
    tickets.withdraw(1)
    tickets.withdraw(1)
    tickets.fail_all("late")
    assert not ticket.settled
