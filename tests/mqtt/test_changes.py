"""What is written of the link's coming and going: changes, and nothing twice."""

from __future__ import annotations

from dosingd.mqtt.changes import FLAPS_TOLD, REASONS_KEPT, Changes


def test_each_reason_is_written_once_until_the_broker_is_back() -> None:
    changes = Changes()
    absent = [changes.lost(why, was_made=False, had_held=False) for why in ("absent", "absent", "refused", "absent")]
    assert absent == [True, False, True, False]
    assert changes.made() is True
    assert changes.lost("absent", was_made=True, had_held=True) is True


def test_a_connection_is_written_once() -> None:
    changes = Changes()
    assert changes.made() is True
    assert changes.held() is False
    changes.lost("closed", was_made=True, had_held=True)
    assert changes.made() is True


def test_one_that_comes_and_goes_is_soon_not_written_any_more_until_it_holds() -> None:
    changes = Changes()
    lines = 0
    for _ in range(1000):
        lines += changes.made()
        lines += changes.lost("closed", was_made=True, had_held=False)
    assert lines == 2 * FLAPS_TOLD
    assert changes.made() is False
    assert changes.held() is True
    assert changes.lost("closed", was_made=True, had_held=True) is True


def test_reasons_that_word_themselves_anew_each_time_do_not_fill_the_memory() -> None:
    changes = Changes()
    lines = sum(changes.lost(f"fault {number}", was_made=False, had_held=False) for number in range(10_000))
    assert lines == REASONS_KEPT
