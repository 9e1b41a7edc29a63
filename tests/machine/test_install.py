"""The installer on a board: what it named next, run again, and away again.

The board has no network. Where apt has a package python3-lgpio, that is what is used; a plain Debian has none, and then
pip's is. Both ways are taken here: the first time there was none, and for the second one is made of the same binding.
"""

from __future__ import annotations

import pytest

from tests.machine.conftest import Workshop
from tests.machine.rig import INSTALL, INSTALLING_S, LINES, PLAN_FILE, SERVICE, SRV, STATE, WITNESS, Rig

pytestmark = pytest.mark.machine

#: A package as the distribution of a Raspberry Pi has it, by name and place, and an archive of it that apt can read.
DISTRIBUTION = """
set -e
mkdir -p /var/debs/tree/DEBIAN /var/debs/tree/usr/lib/python3/dist-packages
cd /var/debs
python3 -m zipfile -e /var/wheels/lgpio-*.whl tree/usr/lib/python3/dist-packages
cat > tree/DEBIAN/control <<END
Package: python3-lgpio
Version: 0.2.2-1
Architecture: amd64
Maintainer: the tests of dosingd <nobody@localhost>
Description: the same binding as a package of the distribution
END
dpkg-deb --build -Zgzip -z1 tree python3-lgpio.deb
{ cat tree/DEBIAN/control
echo "Filename: ./python3-lgpio.deb"
echo "Size: $(stat -c %s python3-lgpio.deb)"
echo "SHA256: $(sha256sum python3-lgpio.deb | cut -d ' ' -f 1)"; } > Packages
rm -rf tree /etc/apt/sources.list
echo "deb [trusted=yes] file:/var/debs ./" > /etc/apt/sources.list.d/board.list
"""
WHERE_LGPIO = "cd /run && LG_WD=/run /opt/dosingd/bin/python -c 'import lgpio; print(lgpio.__file__)'"


def test_the_next_commands_that_it_names_lead_to_a_service_that_runs(rig: Rig, workshop: Workshop) -> None:
    """They were run word for word when the board was made; here it was given power again."""
    assert workshop.installed.commands == (
        f"dosingd check {PLAN_FILE}",
        f"sudo dosingd init --witness {WITNESS}",
        "sudo systemctl enable --now dosingd",
    )
    assert "python3-lgpio could not be installed" not in workshop.installed.said
    assert rig.shown("ActiveState") == "active"
    assert rig.run("systemctl --failed --no-legend") == ""
    assert rig.run(WHERE_LGPIO).startswith("/opt/dosingd/"), "pip's, where the distribution has none"
    # The witness is on the other partition, and the daemon's alone.
    assert rig.run(f"findmnt -no SOURCE --target {WITNESS}/witness-0").strip() == "/dev/vdb"
    assert rig.run(f"findmnt -no SOURCE --target {STATE}/ledger.sqlite").strip() == "/dev/vda"
    assert rig.run(f"stat -c '%U %G %a' {WITNESS} {STATE}").splitlines() == ["dosingd dosingd 750"] * 2
    rig.dose_running("alk", 1.0)
    assert rig.dosed()["outcome"] == "given"


def test_run_again_beside_a_service_that_runs_it_keeps_plan_ledger_and_witness(rig: Rig) -> None:
    rig.run(DISTRIBUTION)
    before, plan, program = rig.rows(), rig.run(f"cat {PLAN_FILE}"), rig.run("readlink /opt/dosingd")
    main = rig.shown("MainPID")
    said = rig.install()
    assert "From the distribution: python3-lgpio" in said
    assert "The service was running and was started anew." in said
    assert f"witness  in {WITNESS}" in said
    rig.wait_for_daemon()
    assert rig.shown("MainPID") != main
    assert rig.run("readlink /opt/dosingd") != program
    assert rig.run("ls -d /opt/dosingd-venv.*").split() == [f"/opt/{rig.run('readlink /opt/dosingd').strip()}"]
    assert rig.run(WHERE_LGPIO).startswith("/usr/lib/python3/dist-packages/"), "the distribution's, where it has one"
    assert rig.run(f"cat {PLAN_FILE}") == plan
    assert rig.rows()[: len(before)] == before
    rig.dose_running("ca", 2.0)
    assert rig.dosed()["outcome"] == "given"
    run, pulse = rig.runs("ca")[-1], rig.machine.pulses(LINES["ca"])[-1]
    assert run.covers(pulse)


def test_away_again_in_mid_dose_it_drops_the_line_and_keeps_the_ledger_unless_told_otherwise(rig: Rig) -> None:
    known = len(rig.rows())
    rig.dose_running("mg", 20.0)
    said = rig.run(f"{INSTALL} --uninstall", patience_s=INSTALLING_S)
    assert rig.machine.level(LINES["mg"]) == 0
    run, pulse = rig.runs("mg")[-1], rig.machine.pulses(LINES["mg"])[-1]
    assert run.outcome == "partial"
    assert run.covers(pulse)
    assert len(rig.rows()) > known
    assert f"the ledger in {STATE}, its witness in {WITNESS}" in " ".join(said.split())
    assert rig.run(f"systemctl is-active {SERVICE}", check=False).strip() == "inactive"
    program = "/opt/dosingd* /usr/local/bin/dosingd /etc/systemd/system/*dosingd*.service"
    left = f"ls -d {program} {STATE} {WITNESS} {PLAN_FILE} 2> /dev/null"
    assert rig.run(left, check=False).split() == [PLAN_FILE, WITNESS, STATE]

    rig.run(f"{INSTALL} --uninstall --purge", patience_s=INSTALLING_S)
    assert rig.run(left, check=False) == ""
    assert rig.run(f"ls -A {SRV}").split() == ["lost+found"]
    assert rig.run("id dosingd", check=False) == ""
