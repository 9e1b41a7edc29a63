"""R14: when the wall clock may be believed."""

from __future__ import annotations

from datetime import datetime, timedelta

from dosingd.records import Reading
from dosingd.trust import Trust, step
from tests.builders import START_AT, reading


def steps(*readings: Reading, rtc: bool = False, newest_wall_at: datetime | None = None) -> Trust:
    trust: Trust | None = None
    for each in readings:
        trust = step(trust, each, rtc=rtc, newest_wall_at=newest_wall_at)
    assert trust is not None
    return trust


def test_a_clock_that_was_never_synchronised_is_not_trusted() -> None:
    trust = steps(reading(0, synced=False), reading(100, synced=False))
    assert (trust.trusted, trust.source) == (False, "none")


def test_a_synchronised_clock_is_trusted() -> None:
    trust = steps(reading(0))
    assert (trust.trusted, trust.source, trust.untrusted_since_mono_s) == (True, "network", None)


def test_trust_stays_within_a_boot_when_the_network_goes() -> None:
    assert steps(reading(0), reading(10, synced=False), reading(1e6, synced=False)).trusted


def test_trust_ends_with_the_boot() -> None:
    assert not steps(reading(500), reading(5, boot="boot-2", wall_s=505, synced=False)).trusted


def test_an_unsynchronised_move_of_more_than_2_s_ends_trust() -> None:
    assert steps(reading(0), reading(10, wall_s=12, synced=False)).trusted
    trust = steps(reading(0), reading(10, wall_s=12.1, synced=False))
    assert not trust.trusted
    assert trust.untrusted_since_mono_s == 10


def test_small_moves_add_up() -> None:
    moved = [reading(10 * n, wall_s=10 * n + 0.9 * n, synced=False) for n in (1, 2, 3)]
    assert steps(reading(0), *moved[:2]).trusted  # 1.8 s
    assert not steps(reading(0), *moved).trusted  # 2.7 s


def test_moves_backwards_count_too() -> None:
    assert not steps(reading(0), reading(10, wall_s=7.9, synced=False)).trusted


def test_trust_that_was_lost_does_not_come_back_by_moving_back() -> None:
    assert not steps(reading(0), reading(10, wall_s=20, synced=False), reading(20, synced=False)).trusted


def test_a_synchronised_move_keeps_trust_and_is_told_as_a_jump() -> None:
    trust = steps(reading(0), reading(10, wall_s=3610))
    assert trust.trusted
    assert trust.jumped_s == 3600
    assert steps(reading(0), reading(10, wall_s=11.9)).jumped_s == 0  # 1.9 s is no jump


def test_the_first_reading_of_a_boot_is_no_jump() -> None:
    assert steps(reading(0), reading(0, boot="boot-2", wall_s=9_999)).jumped_s == 0


def test_a_battery_backed_clock_is_trusted_unsynchronised() -> None:
    trust = steps(reading(0, synced=False), rtc=True)
    assert (trust.trusted, trust.source) == (True, "rtc")


def test_a_clock_behind_the_ledger_is_not_trusted_whatever_it_says() -> None:
    newest = START_AT + timedelta(seconds=3)
    assert not steps(reading(0), newest_wall_at=newest).trusted
    assert not steps(reading(0), rtc=True, newest_wall_at=newest).trusted
    assert steps(reading(0), newest_wall_at=newest).behind
    assert steps(reading(1), newest_wall_at=newest).trusted  # 2 s are a slew


def test_after_6_h_synchronised_a_clock_behind_the_ledger_may_be_confirmed() -> None:
    newest = START_AT + timedelta(days=365)
    assert not steps(reading(100), reading(100 + 21_599), newest_wall_at=newest).confirm_due
    late = steps(reading(100), reading(100 + 21_600), newest_wall_at=newest)
    assert late.confirm_due
    assert not late.trusted  # until the ledger was told


def test_the_6_h_are_of_one_unbroken_synchronisation_and_one_boot() -> None:
    newest = START_AT + timedelta(days=365)
    broken = steps(reading(0), reading(100, synced=False), reading(200), reading(21_700), newest_wall_at=newest)
    assert not broken.confirm_due  # 21,500 s since 200
    other = steps(reading(0), reading(21_600, boot="boot-2"), newest_wall_at=newest)
    assert not other.confirm_due


def test_a_jump_begins_the_6_h_anew() -> None:
    newest = START_AT + timedelta(seconds=50_000)
    back = [reading(0), reading(50_000), reading(50_010, wall_s=10)]
    assert not steps(*back, newest_wall_at=newest).confirm_due  # though the flag has been up for 50,000 s
    assert not steps(*back, reading(71_609, wall_s=21_609), newest_wall_at=newest).confirm_due
    assert steps(*back, reading(71_610, wall_s=21_610), newest_wall_at=newest).confirm_due


def test_an_unsynchronised_clock_behind_the_ledger_is_never_confirmed_by_time() -> None:
    newest = START_AT + timedelta(days=365)
    first, last = reading(0, synced=False), reading(1e6, synced=False)
    assert not steps(first, last, newest_wall_at=newest).confirm_due


def test_the_time_without_trust_counts_from_the_boot() -> None:
    assert steps(reading(50, synced=False)).untrusted_since_mono_s == 0


def test_after_a_restart_in_the_same_boot_it_counts_from_the_last_synchronised_row() -> None:
    trust = step(None, reading(9_000, synced=False), rtc=False, newest_wall_at=None, last_synchronised_mono_s=8_000.0)
    assert trust.untrusted_since_mono_s == 8_000.0


def test_it_counts_on_while_untrusted_and_anew_after_trust() -> None:
    first = reading(0, synced=False)
    assert steps(first, reading(50_000, synced=False)).untrusted_since_mono_s == 0
    again = steps(first, reading(100), reading(200, wall_s=300, synced=False), reading(300, wall_s=400, synced=False))
    assert again.untrusted_since_mono_s == 200


def test_a_new_boot_counts_from_its_own_beginning() -> None:
    before = steps(reading(0), reading(5_000, wall_s=9_000, synced=False))
    after = step(
        before, reading(10, boot="boot-2", synced=False), rtc=False, newest_wall_at=None, last_synchronised_mono_s=7.0
    )
    assert after.untrusted_since_mono_s == 0
