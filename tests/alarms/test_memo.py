"""Small files that may be lost: replaced whole, and read as nothing when damaged."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from dosingd import memo
from dosingd.mqtt.left import BROKERS_KEPT, Left
from dosingd.plan.model import Broker


def test_what_was_written_is_read(tmp_path: Path) -> None:
    memo.write(tmp_path / "a.json", {"text": "µL \udcff"})
    assert memo.read(tmp_path / "a.json") == {"text": "µL \udcff"}
    assert [path.name for path in tmp_path.iterdir()] == ["a.json"]


@pytest.mark.parametrize("damage", [b"", b"{", b"\xff", b"[" * 200_000, b'"' + b"x" * memo.MOST_BYTES + b'"'])
def test_what_is_damaged_or_too_large_reads_as_nothing(damage: bytes, tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_bytes(damage)
    assert memo.read(path) is None
    assert memo.read(tmp_path / "none.json") is None
    assert memo.read(tmp_path) is None


def test_a_write_that_fails_leaves_the_file_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.json"
    memo.write(path, 1)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OSError, match="No space"):
        memo.write(path, 2)
    assert memo.read(path) == 1
    assert [each.name for each in tmp_path.iterdir()] == ["a.json"]


def test_each_broker_has_topics_of_its_own_and_few_are_remembered(tmp_path: Path) -> None:
    path = tmp_path / "announced.json"
    for number in range(10):
        Left(path, Broker(f"broker-{number}")).keep([f"a/{number}"])
    assert Left(path, Broker("broker-9")).topics() == {"a/9"}
    assert Left(path, Broker("broker-8", 8883)).topics() == frozenset(), "another port is another broker"
    assert Left(path, Broker("broker-0")).topics() == frozenset()
    assert len(json.loads(path.read_text())) == BROKERS_KEPT


def test_topics_are_written_when_they_changed_and_a_full_disk_is_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "announced.json"
    left = Left(path, Broker("here"))
    left.keep(["a"])
    path.unlink()
    left.keep(["a"])
    assert not path.exists()
    left.keep(["a", "b"])
    assert Left(path, Broker("here")).topics() == {"a", "b"}
    Left(tmp_path / "nowhere" / "announced.json", Broker("here")).keep(["a"])
