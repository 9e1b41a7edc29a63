"""R5: on is a lease with an end set beforehand."""

from __future__ import annotations

import pytest

from dosingd.leases import Lease, Leases

ALK = Lease("alk", 100.0, 110.5)


def test_a_lease_lets_its_own_pump_be_on_until_its_end() -> None:
    leases = Leases().granted(ALK)
    assert leases.may_be_on("alk", 100.0)
    assert leases.may_be_on("alk", 110.5)
    assert not leases.may_be_on("alk", 110.501)
    assert not leases.may_be_on("ca", 105.0)
    assert not Leases().may_be_on("alk", 105.0)


def test_one_pump_at_a_time() -> None:
    with pytest.raises(ValueError, match="alk is still running"):
        Leases().granted(ALK).granted(Lease("ca", 100.0, 101.0))


def test_a_lease_that_ended_allows_nothing_and_makes_room() -> None:
    ended = Leases().granted(ALK).ended("alk")
    assert not ended.may_be_on("alk", 105.0)
    assert ended.granted(Lease("ca", 0.0, 1.0)).may_be_on("ca", 1.0)


def test_ending_another_channels_lease_changes_nothing() -> None:
    assert Leases().granted(ALK).ended("ca") == Leases().granted(ALK)


def test_a_lease_is_outlived_a_quarter_of_a_second_after_its_end() -> None:
    leases = Leases().granted(ALK)
    assert leases.outlived(110.75) == ()
    assert leases.outlived(110.76) == (ALK,)
    assert Leases().outlived(1e9) == ()
