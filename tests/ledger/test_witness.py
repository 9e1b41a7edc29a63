"""The witness: two slots, of which one is whole whatever happens to the other."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosingd.ledger import Booked, Disk, Mark, MemoryWitness, Witness
from dosingd.ledger.witness import SLOT_BYTES, mark_from_slot, slot_from_mark
from tests.ledger.failing import FailingDisk, RecordingDisk

_MARKS = st.builds(
    Mark,
    st.text(max_size=40),
    st.integers(0, 2**53),
    st.binary(min_size=32, max_size=32),
    st.dictionaries(st.text(max_size=32), st.builds(Booked, st.integers(), st.integers()), max_size=8),
)


def _mark(seq: int, ledger_id: str = "one") -> Mark:
    return Mark(ledger_id, seq, bytes([seq % 256]) * 32, {"alk": Booked(seq * 3_000, seq * 12_000)})


@given(_MARKS)
def test_a_mark_comes_back_from_its_slot(mark: Mark) -> None:
    slot = slot_from_mark(mark)
    assert len(slot) == SLOT_BYTES
    assert mark_from_slot(slot) == mark


def test_a_slot_is_text_closed_by_its_own_sha_256() -> None:
    heading, kept, checksum, _ = slot_from_mark(_mark(3)).split(b"\n", 3)
    assert checksum.decode() == hashlib.sha256(heading + b"\n" + kept + b"\n").hexdigest()
    assert json.loads(kept) == {"ledger": "one", "seq": 3, "hash": "03" * 32, "booked": {"alk": [9_000, 36_000]}}


def test_room_is_enough_for_every_pin_of_a_header_and_more_is_an_error() -> None:
    many = {f"{'x' * 30}{index:02}": Booked(10**12, 10**12) for index in range(28)}
    assert mark_from_slot(slot_from_mark(Mark("l" * 36, 10**9, bytes(32), many))) is not None
    with pytest.raises(ValueError, match="no room for 80 channels"):
        slot_from_mark(Mark("l", 1, bytes(32), {f"{'x' * 30}{index:02}": Booked(10**12) for index in range(80)}))


def test_every_single_damaged_byte_makes_a_slot_invalid_or_leaves_its_mark() -> None:
    slot, mark = slot_from_mark(_mark(41)), _mark(41)
    closed = slot.rstrip() + b"\n"
    for index in range(SLOT_BYTES):
        damaged = slot[:index] + bytes([slot[index] ^ 0x10]) + slot[index + 1 :]
        assert mark_from_slot(damaged) == (None if index < len(closed) else mark)


@pytest.mark.parametrize("kept", ['{"seq":1}', "[]", '"text"', '{"ledger":"a","seq":1,"hash":"zz","booked":{}}', "7"])
def test_a_whole_checksum_over_something_else_is_no_mark(kept: str) -> None:
    text = f"dosingd witness 1\n{kept}\n".encode()
    assert mark_from_slot(text + hashlib.sha256(text).hexdigest().encode() + b"\n") is None


def test_a_newer_kind_of_slot_is_no_mark() -> None:
    text = slot_from_mark(_mark(3)).split(b"\n", 3)[1]
    newer = b"dosingd witness 2\n" + text + b"\n"
    assert mark_from_slot(newer + hashlib.sha256(newer).hexdigest().encode() + b"\n") is None


def test_an_empty_place_has_no_mark_and_no_trace(tmp_path: Path) -> None:
    witness = Witness(tmp_path / "absent")
    assert witness.newest() == ()
    assert witness.traces() == ()


@pytest.mark.parametrize("again", [False, True])
def test_the_older_slot_is_the_one_overwritten(tmp_path: Path, again: bool) -> None:
    witness = Witness(tmp_path)
    for seq in range(1, 8):
        witness.advance(_mark(seq))
        assert witness.newest() == (_mark(seq),)
        kept = [mark_from_slot(path.read_bytes()) for path in witness.paths if path.exists()]
        assert sorted(mark.seq for mark in kept if mark is not None) == [1, *range(2, seq + 1)][-2:]
        if again:
            witness = Witness(tmp_path)


def test_an_invalid_slot_is_overwritten_before_a_valid_one(tmp_path: Path) -> None:
    for damaged in (0, 1):
        witness = Witness(tmp_path)
        witness.advance(_mark(1))
        witness.advance(_mark(2))
        whole = witness.paths[1 - damaged].read_bytes()
        witness.paths[damaged].write_bytes(b"torn")
        Witness(tmp_path).advance(_mark(3))
        assert witness.paths[1 - damaged].read_bytes() == whole
        assert mark_from_slot(witness.paths[damaged].read_bytes()) == _mark(3)


def test_a_write_cut_at_any_byte_leaves_the_mark_before_or_the_new_one() -> None:
    cuts = 0
    for before in range(4):
        witness = MemoryWitness()
        for seq in range(1, before + 1):
            witness.advance(_mark(seq))
        target = witness.paths[before % 2]
        old = witness.slots.get(target, b"")
        new = slot_from_mark(_mark(before + 1))
        for cut in range(SLOT_BYTES + 1):
            witness.slots[target] = new[:cut] + old[cut:]
            newest = witness.newest()
            assert newest in ([(), (_mark(1),)] if before == 0 else [(_mark(before),), (_mark(before + 1),)])
            assert newest == (_mark(before + 1),) or cut < SLOT_BYTES
            cuts += 1
    print(f"{cuts} torn slots")
    assert cuts == 4 * (SLOT_BYTES + 1)


def test_advancing_returns_only_after_slot_and_new_directory_entry_are_synced(tmp_path: Path) -> None:
    disk = RecordingDisk()
    witness = Witness(tmp_path, disk)
    witness.advance(_mark(1))
    made = ["open witness-0", "write witness-0", "fsync witness-0", "close witness-0"]
    directory = [f"{verb} {tmp_path.name}" for verb in ("open", "fsync", "close")]
    assert disk.calls == [*made, *directory]
    witness.advance(_mark(2))
    disk.calls.clear()
    witness.advance(_mark(3))
    assert disk.calls == made


def test_a_short_write_is_carried_on_with(tmp_path: Path) -> None:
    class Slow(Disk):
        def write_at(self, descriptor: int, data: bytes, offset: int) -> int:
            return super().write_at(descriptor, data[:100], offset)

    Witness(tmp_path, Slow()).advance(_mark(5))
    assert Witness(tmp_path).newest() == (_mark(5),)


def test_overwriting_leaves_nothing_of_a_longer_mark(tmp_path: Path) -> None:
    witness = Witness(tmp_path)
    for seq in (1, 2):
        witness.advance(Mark("l" * 500, seq, bytes(32), {}))
    witness.advance(_mark(3))
    assert witness.paths[0].read_bytes() == slot_from_mark(_mark(3))


@pytest.mark.parametrize("lasting", [False, True], ids=["once", "for good"])
def test_any_failing_call_is_reported_and_leaves_a_mark(tmp_path: Path, lasting: bool) -> None:
    points = 0
    for before in (1, 2, 3):
        for fails in range(100):
            witness = Witness(tmp_path / f"{before}-{fails}")
            witness.make_place()
            for seq in range(1, before + 1):
                witness.advance(_mark(seq))
            disk = FailingDisk(fails, lasting)
            failing = Witness(witness.directory, disk)
            try:
                failing.advance(_mark(before + 1))
            except OSError:
                assert disk.failed
                points += 1
            else:
                assert not disk.failed
                assert witness.newest() == (_mark(before + 1),)
                break
            assert Witness(witness.directory).newest() in [(_mark(before),), (_mark(before + 1),)]
            if not lasting:
                failing.advance(_mark(before + 2))
                assert Witness(witness.directory).newest() == (_mark(before + 2),)
            assert len(os.listdir("/proc/self/fd")) < 200
    print(f"{points} failing calls")
    assert points >= 18


def test_two_slots_of_one_number_are_both_told(tmp_path: Path) -> None:
    witness = Witness(tmp_path)
    witness.paths[0].write_bytes(slot_from_mark(_mark(4)))
    witness.paths[1].write_bytes(slot_from_mark(_mark(4, "two")))
    assert set(map(str, witness.newest())) == {str(_mark(4)), str(_mark(4, "two"))}


def test_an_unreadable_slot_is_an_error_and_not_an_empty_one(tmp_path: Path) -> None:
    witness = Witness(tmp_path)
    witness.paths[0].mkdir()
    with pytest.raises(OSError, match="directory"):
        witness.newest()


def test_a_witness_in_memory_keeps_the_same_slots() -> None:
    witness = MemoryWitness()
    assert witness.newest() == ()
    for seq in range(1, 4):
        witness.advance(_mark(seq))
        assert witness.newest() == (_mark(seq),)
