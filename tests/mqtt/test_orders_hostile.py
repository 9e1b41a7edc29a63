"""Ten thousand and more hostile orders from a real broker to the real daemon: no pulse for any of them, and the doses
of the plan on time (R10, R13).

Sent as fast as the broker takes them, at QoS 0 and 1, with some that the broker keeps, while the rig doses every two
seconds. That a broker drops nothing on the way is part of the test's own set-up.
"""

from __future__ import annotations

import json
import os
import random
import threading
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import pytest

import dosingd.mqtt.connection
from dosingd.mqtt.link import Link
from dosingd.plan.model import Broker as Settings
from tests.daemon.child import CLOCK, brisk_plan, wait_until
from tests.mqtt.broker import Broker, needs_mosquitto
from tests.mqtt.hostile import hostile
from tests.mqtt.ordering import PASSWORD, USER, Ordered, Sender, order

pytestmark = [pytest.mark.broker, needs_mosquitto]

#: A dose may be so late beside ten thousand messages, on a machine that does other things as well. What its channel
#: has to wait for is no lateness: each was laid a second from the other channel's at least.
LATE_S = 1.0


def resident_kb(pid: int) -> int:
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    return int(next(line for line in status.splitlines() if line.startswith("VmRSS")).split()[1])


def lateness_s(rig: Ordered, from_at: datetime) -> list[float]:
    """How long after it was due each scheduled dose since then was begun, as the broker was told."""
    assert rig.sender is not None
    found = []
    for channel in ("alk", "ca"):
        for payload in rig.sender.heard(f"dosingd/{rig.name}/channel/{channel}/dose"):
            told = json.loads(payload)
            if datetime.fromisoformat(told["due_at"]) < from_at or "the rig is held" in told["reason"]:
                continue  # before the flood, or after the one good order at its end
            assert told["outcome"] in ("given", "partial"), told
            started, due = datetime.fromisoformat(told["started_at"]), datetime.fromisoformat(told["due_at"])
            found.append((started - due).total_seconds())
    return found


def flooded(rig: Ordered, count: int, seed: int) -> None:
    """The daemon is sent so many hostile orders, and not a pump moves by one."""
    sender = rig.listening()
    rig.wait_for_pulses(4)
    before_kb, began = resident_kb(rig.pid), CLOCK.now()
    chance = random.Random(seed)
    pause = threading.Event()
    for number, message in enumerate(hostile(seed, count)):
        sender.send(message.payload, retain=message.retain, qos=chance.choice([0, 1]))
        if number % 1000 == 999:
            pause.wait(0.7)  # in bursts, so that some doses fall into it
    hold = order("hold")
    sender.send(json.dumps(hold).encode())
    # The last of them is good, so that when it is answered all the others have been read.
    answer = sender.wait_for(f"{sender.topic}/{hold['id']}", patience_s=300)
    took_s = CLOCK.now().mono_s - began.mono_s
    assert answer["ok"] is True
    grown_kb = resident_kb(rig.pid) - before_kb
    assert rig.stop() == 0

    counts = json.loads(sender.heard(f"dosingd/{rig.name}/orders")[-1])
    assert counts["taken"] == 1
    assert sum(counts["refused"].values()) == count
    assert "failed" not in counts["refused"]

    entries = rig.ask("history")["entries"]
    assert [entry["kind"] for entry in entries].count("ordered") == 1
    reserved = [entry for entry in entries if entry["kind"] == "reserved"]
    assert all(entry["slot"] is not None for entry in reserved), "a dose that no timetable asked for"
    begun = [pulse for pulse in rig.pulses if pulse["on"]]
    assert len(begun) == len(reserved)
    assert all(one["on"] != other["on"] for one, other in pairwise(rig.pulses))

    late_s = lateness_s(rig, began.wall_at)
    answers = [topic for topic in sender.topics() if topic.startswith(f"{sender.topic}/")]
    print(
        f"{count} hostile orders in {took_s:.1f} s; {len(late_s)} doses meanwhile, latest {max(late_s):.3f} s;"
        f" {len(answers)} answers; {grown_kb} kB grown; {counts['refused']}"
    )
    assert len(late_s) >= max(1, took_s / 3 - 1)  # one every two seconds or so
    assert max(late_s) < LATE_S
    assert len(answers) < 30 + took_s * 1.2  # 20 at once, one a second, and the hold's
    assert all(topic.count("/") == 3 for topic in answers)
    assert rig.log.count("from the broker is refused") < 20 + took_s / 60
    assert grown_kb < 8_000


def test_ten_thousand_hostile_orders_move_no_pump_and_delay_none(tmp_path: Path) -> None:
    with Ordered(tmp_path, brisk_plan()) as rig:
        flooded(rig, 10_500, seed=20_261_125)


@pytest.mark.campaign
def test_many_more_of_them(tmp_path: Path) -> None:
    for seed in range(int(os.environ.get("HOSTILE_SEEDS", "10"))):
        directory = tmp_path / str(seed)
        directory.mkdir()
        with Ordered(directory, brisk_plan()) as rig:
            flooded(rig, 50_000, seed)


class Counting:
    """Takes whatever comes, and counts it."""

    def __init__(self) -> None:
        self.count = 0

    def came(self, payload: bytes, *, retained: bool, answer: object) -> None:
        self.count += 1

    def counts(self) -> dict[str, int]:
        return {"taken": self.count}

    def tick(self) -> None:
        pass


def test_a_flood_is_read_with_pauses_and_all_of_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """So that a small board has time for those who dose, however much is sent."""
    monkeypatch.setattr(dosingd.mqtt.connection, "READ_AT_ONCE", 20)
    monkeypatch.setattr(dosingd.mqtt.connection, "BREATH_S", 0.05)
    came, password = Counting(), tmp_path / "password"
    password.write_text(PASSWORD, encoding="ascii")
    with Broker(tmp_path, users={USER: PASSWORD}, more=("max_queued_messages 0",)) as broker:
        settings = Settings("127.0.0.1", broker.port, username=USER, password_file=str(password), orders=("hold",))
        link = Link(settings, "calm", clock=CLOCK, say=lambda *_: None, orders=came)
        link.start()
        sender = Sender(broker.port)
        wait_until(lambda: link.connected, "connected")
        for number in range(60):
            sender.send(b"%d" % number, qos=0)
        began_s = CLOCK.now().mono_s
        wait_until(lambda: came.count == 60, "all of them")
        took_s = CLOCK.now().mono_s - began_s
        link.stop(2.0)
        sender.close()
    assert took_s > 0.5  # 40 pauses, or fewer where a second begins in the midst


def test_a_message_of_megabytes_is_not_held(tmp_path: Path) -> None:
    with Ordered(tmp_path, more="") as rig:
        sender = rig.listening()
        before_kb = resident_kb(rig.pid)
        peak_kb = before_kb
        for _ in range(3):
            sender.send(b"x" * 60_000_000)
        hold = order("hold")
        sender.send(json.dumps(hold).encode())

        def answered() -> bool:
            nonlocal peak_kb
            peak_kb = max(peak_kb, resident_kb(rig.pid))
            return bool(sender.heard(f"{sender.topic}/{hold['id']}"))

        wait_until(answered, "the hold after them is carried out")
        print(f"{before_kb} kB before, {peak_kb} kB at most")
        assert peak_kb - before_kb < 10_000
        assert sender.heard(f"dosingd/{rig.name}/alive") == [b"online"]  # the connection held
        assert rig.stop() == 0
        assert json.loads(sender.heard("dosingd/calm/orders")[-1]) == {"taken": 1, "refused": {"oversized": 3}}


def test_an_order_that_the_broker_keeps_is_refused_and_no_order_leads_to_another_topic(tmp_path: Path) -> None:
    with Ordered(tmp_path) as rig:
        early = Sender(rig.broker.port)
        kept = order("hold")
        early.give(kept, retain=True)
        early.close()
        sender = rig.listening()
        assert sender.wait_for(f"{sender.topic}/{kept['id']}")["error"]["code"] == "retained"
        assert rig.ask("status")["held"] is False
        assert rig.rows("ordered") == []
        # And a password of the broker gives no way to another topic.
        for topic in ("dosingd/calm/order/hold", "dosingd/calm/orders", "dosingd/other/order", "dosingd/calm/Order"):
            sender.send(json.dumps(order("hold")).encode(), topic=topic)
        for name in ("x/../../alive", "+", "#", "x/y"):
            sender.send(json.dumps(order("hold", id=name)).encode())
        assert sender.ask(order(verb="release", channel=..., volume=...))["error"]["code"] == "unknown"
        assert rig.ask("status")["held"] is False
        assert {topic.count("/") for topic in sender.topics() if topic.startswith("dosingd/calm/order/")} <= {3}
        assert not [topic for topic in sender.topics() if topic.endswith(("/alive/x", "/y"))]
