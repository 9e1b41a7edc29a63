#!/bin/sh
# Installs dosingd as a service on a Raspberry Pi (64-bit Raspberry Pi OS), or any Debian with systemd. As root:
#
#     sudo systemd/install.sh                      from a clone or an unpacked source archive
#     sudo sh install.sh --wheel dosingd-*.whl     from a wheel; this script lies in it
#
#     --start             enable the service and start it, once there is a ledger and a plan of your own
#     --witness DIR       where the ledger's witness lies, if not where this script would put it
#     --uninstall         everything but plan, ledger and witness
#     --purge             with --uninstall: these as well, and the account
#     --python FILE       the interpreter; /usr/bin/python3 if not named, for which the system's python3-lgpio is made
#     --root DIR          into another root directory, for images and tests; no service is started there
#
# Run again it upgrades: a plan, a ledger and a witness that are there stay as they are, and a service that runs is
# started anew. A try that fails leaves what was installed before. Exit status: 0 done, 1 failed, 2 refused.
set -eu
umask 022

root='' wheel='' witness='' python=/usr/bin/python3 start='' uninstall='' purge=''
say() { printf '%s\n' "$*" | fold -s -w 80; }
fail() { say "$*" >&2; exit 1; }
refuse() { say "$*" >&2; exit 2; }

while [ $# -gt 0 ]; do
    case $1 in
        --wheel | --witness | --python | --root)
            [ $# -ge 2 ] && [ -n "$2" ] || refuse "$1: what it names is missing. See the head of this script."
            case $1 in
                --wheel) wheel=$2 ;;
                --witness) witness=$2 ;;
                --python) python=$2 ;;
                --root) root=${2%/} ;;
            esac
            shift ;;
        --start) start=yes ;;
        --uninstall) uninstall=yes ;;
        --purge) purge=yes ;;
        *) refuse "$1: not an option here. See the head of this script." ;;
    esac
    shift
done
[ -z "$purge" ] || [ -n "$uninstall" ] || refuse "--purge goes with --uninstall. Nothing was changed."
[ -z "$start" ] || [ -z "$uninstall" ] || refuse "--start does not go with --uninstall. Nothing was changed."
[ "$(id -u)" = 0 ] || refuse "This changes the system, so it must be run as root: sudo $0"

plan=/etc/dosingd/plan.yaml state=/var/lib/dosingd
units="dosingd.service dosingd-pins-off.service dosingd-shutdown.service"
dropin=/etc/systemd/system/dosingd.service.d/witness.conf

live() { [ -z "$root" ]; }
running() { live && systemctl is-active --quiet dosingd.service; }

# Another place for a file of systemd/, and whether it was new there.
put() { # FILE PLACE MODE
    mkdir -p "$(dirname "$root$2")"
    if cmp -s "$1" "$root$2"; then chmod "$3" "$root$2"; return 1; fi
    install -m "$3" "$1" "$root$2.new"
    mv -f "$root$2.new" "$root$2"
}

# -- uninstalling ----------------------------------------------------------------------------------------------------

if [ -n "$uninstall" ]; then
    if live; then
        # Its ExecStopPost= drives every line low, while the program is still there.
        for unit in $units; do systemctl disable --now "$unit" 2>/dev/null || true; done
    else
        # shellcheck disable=SC2086 # a list of names
        systemctl --root="$root" disable $units 2>/dev/null || true
    fi
    elsewhere=$(sed -n 's/^ReadWritePaths=-//p' "$root$dropin" 2>/dev/null || true)
    for unit in $units; do rm -f "$root/etc/systemd/system/$unit"; done
    for file in systemd/system.conf.d/dosingd.conf sysctl.d/dosingd.conf sysusers.d/dosingd.conf \
        tmpfiles.d/dosingd.conf udev/rules.d/60-dosingd-gpio.rules; do rm -f "$root/etc/$file"; done
    rm -f "$root/usr/local/bin/dosingd" "$root/opt/dosingd"
    rm -rf "$root"/opt/dosingd-venv.*
    if live; then systemctl daemon-reexec; fi
    if [ -z "$purge" ]; then
        say "dosingd is uninstalled. What it knows is kept: $plan, the ledger in $state${elsewhere:+, its witness in $elsewhere}."
        say "To delete that too, and for good: sudo sh install.sh --uninstall --purge"
        exit 0
    fi
    rm -f "$root$dropin"
    rmdir "$root$(dirname "$dropin")" 2>/dev/null || true
    rm -rf "$root/etc/dosingd" "$root$state"
    if [ -n "$elsewhere" ]; then
        rm -f "$root$elsewhere/witness-0" "$root$elsewhere/witness-1"
        rmdir "$root$elsewhere" 2>/dev/null || true
    fi
    if live && id dosingd >/dev/null 2>&1; then userdel dosingd; fi
    say "dosingd is uninstalled, with its plan, its ledger and its account."
    exit 0
fi

# -- what it needs of the system -------------------------------------------------------------------------------------

[ -x "$python" ] || fail "$python: there is no such interpreter. On Debian: sudo apt-get install python3"
"$python" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 14))' ||
    refuse "$python is $("$python" -V), and dosingd needs Python 3.11, 3.12 or 3.13. Nothing was changed."
if [ -L "$root/opt/dosingd" ]; then old=$(readlink "$root/opt/dosingd"); else old=''; fi
[ -n "$old" ] || [ ! -e "$root/opt/dosingd" ] || refuse "/opt/dosingd is not this script's work. Move it away. Nothing was changed."

if [ -f "$root$dropin" ]; then placed=$(sed -n 's/^ReadWritePaths=-//p' "$root$dropin"); else placed=$state/witness; fi
if [ -e "$root$state/ledger.sqlite" ] && [ -n "$witness" ] && [ "$witness" != "$placed" ]; then
    refuse "The ledger that is there has its witness in $placed, and there it stays: moved, it would bear witness no more. Nothing was changed."
fi
case $witness in
    '' | "$state"/*) ;;
    /home/* | /root/* | /tmp/* | /run/*) refuse "--witness $witness: the service sees nothing there. Name another place. Nothing was changed." ;;
    *[!a-zA-Z0-9/._-]* | *..* | [!/]*) refuse "--witness $witness: write a whole path, of plain letters. Nothing was changed." ;;
esac

here='' tree=''
case $0 in */install.sh) here=$(cd "$(dirname "$0")" && pwd) ;; esac
if [ -z "$wheel" ]; then
    [ -n "$here" ] && [ -f "$here/../pyproject.toml" ] ||
        refuse "This is no clone of dosingd. Name a wheel: sudo sh install.sh --wheel dosingd-VERSION.whl"
    tree=$(cd "$here/.." && pwd)
elif [ ! -f "$wheel" ]; then
    refuse "$wheel: there is no such wheel. Nothing was changed."
fi

# The working directory, because lgpio makes a pipe there when it is imported.
has() { (cd "$work" && LG_WD=$work "$1" -c "$2") >/dev/null 2>&1; }
work=$(mktemp -d) venv=''
trap 'rm -rf "$work" ${venv:+"$venv"}' EXIT
trap 'exit 1' HUP INT TERM

wanted=''
has "$python" 'import ensurepip, venv' || wanted=python3-venv
has "$python" 'import lgpio; lgpio.gpiochip_open' || wanted="$wanted python3-lgpio"
if [ -n "$wanted" ]; then
    say "From the distribution:$( [ "$wanted" = "${wanted# }" ] && printf ' ')$wanted"
    DEBIAN_FRONTEND=noninteractive; export DEBIAN_FRONTEND
    apt-get update -q || say "The lists of packages could not be renewed; going on with the old ones." >&2
    for package in $wanted; do
        apt-get install -y -q --no-install-recommends "$package" || say "$package could not be installed." >&2
    done
    has "$python" 'import ensurepip, venv' || fail "python3-venv is needed and could not be installed. What ran goes on running."
fi

# -- the program, beside the one that may be running -----------------------------------------------------------------

# A name of its own each time, and a link that is moved when all is well: a download that breaks off breaks nothing.
mkdir -p "$root/opt"
venv=$(mktemp -d "$root/opt/dosingd-venv.XXXXXX")
chmod 755 "$venv"
say "Making an environment in ${venv#"$root"}; on a small board this takes minutes."
"$python" -m venv --system-site-packages "$venv"
pip() { "$venv/bin/python" -m pip --disable-pip-version-check --no-input "$@"; }
if [ -n "$tree" ]; then
    pip wheel -q --no-deps --wheel-dir "$work" "$tree"
    wheel=$(echo "$work"/dosingd-*.whl)
fi
pip install -q "$wheel"
if ! has "$venv/bin/python" 'import lgpio; lgpio.gpiochip_open'; then
    # Where the distribution has none; there is no wheel of it for Python 3.13.
    pip install -q "${wheel}[pi]" || true
    has "$venv/bin/python" 'import lgpio; lgpio.gpiochip_open' ||
        fail "The GPIO binding lgpio is missing, and no pump runs without it: sudo apt-get install python3-lgpio. Nothing was changed."
fi
"$venv/bin/dosingd" --version >/dev/null || fail "What was installed does not start. Nothing was changed."

# -- account, directories, units -------------------------------------------------------------------------------------

from=$venv/share/dosingd/systemd
for unit in $units; do put "$from/$unit" "/etc/systemd/system/$unit" 644 || true; done
put "$from/sysusers.d/dosingd.conf" /etc/sysusers.d/dosingd.conf 644 || true
put "$from/tmpfiles.d/dosingd.conf" /etc/tmpfiles.d/dosingd.conf 644 || true
put "$from/dosingd.sh" /usr/local/bin/dosingd 755 || true
systemd-sysusers ${root:+--root="$root"} "$root/etc/sysusers.d/dosingd.conf"
systemd-tmpfiles ${root:+--root="$root"} --create "$root/etc/tmpfiles.d/dosingd.conf"
if put "$from/udev/rules.d/60-dosingd-gpio.rules" /etc/udev/rules.d/60-dosingd-gpio.rules 644 && live; then
    { udevadm control --reload && udevadm trigger --subsystem-match=gpio; } ||
        say "The new rule for the pins' group holds from the next boot." >&2
fi
if put "$from/sysctl.d/dosingd.conf" /etc/sysctl.d/dosingd.conf 644 && live; then
    sysctl -q -p /etc/sysctl.d/dosingd.conf || say "The new rule for a kernel's panic holds from the next boot." >&2
fi
put "$from/system.conf.d/dosingd.conf" /etc/systemd/system.conf.d/dosingd.conf 644 || true

example=$venv/share/dosingd/plan.example.yaml
if [ -e "$root$plan" ]; then
    chmod go-w "$root$plan"
else
    install -m 644 "$example" "$root$plan"
fi

# -- the witness, on another partition if there is a fit one ----------------------------------------------------------

# Mounted at each boot, by a name in fstab, writable, with owners and a journal or copies: a FAT partition has none of
# these. The one that a board boots from must not be written to at each dose, nor be writable by the daemon: whoever
# writes there owns the board.
another_partition() {
    own=$(findmnt -nvo SOURCE --target "$root/var/lib" 2>/dev/null) || return 0
    findmnt -rnvo TARGET,SOURCE,FSTYPE,OPTIONS 2>/dev/null | while read -r target source kind options; do
        case $kind in ext4 | ext3 | btrfs | xfs | f2fs) ;; *) continue ;; esac
        # The service sees nothing of /home.
        case $target in / | /boot* | /home* | /root* | /media/* | /run/* | *\\x*) continue ;; esac
        case ,$options, in *,ro,*) continue ;; esac
        [ "$source" != "$own" ] || continue
        kept=$(findmnt --fstab -nvo OPTIONS --mountpoint "$target" 2>/dev/null) || continue
        case ,$kept, in *,noauto,* | *,nofail,* | *,ro,*) continue ;; esac
        printf '%s\n' "$target"
        break
    done
}

if [ ! -e "$root$state/ledger.sqlite" ]; then
    if [ -n "$witness" ]; then
        placed=$witness
    elif [ ! -f "$root$dropin" ]; then
        found=$(another_partition)
        [ -z "$found" ] || placed=${found%/}/dosingd-witness
    fi
    case $placed in
        "$state"/*) rm -f "$root$dropin" ;;
        *)
            mkdir -p "$root$(dirname "$dropin")"
            mount=$(findmnt -no TARGET --target "$(dirname "$root$placed")" 2>/dev/null || echo /)
            mount=$(systemd-escape --path --suffix=mount "$mount")
            # Wanted and not required: without it the daemon says itself that it will not dose, again and again.
            printf '%s\n' '[Unit]' "Wants=$mount" "After=$mount" '[Service]' "ReadWritePaths=-$placed" \
                "Environment=\"RUN_OPTIONS=--witness $placed\"" >"$root$dropin" ;;
    esac
fi
case $placed in
    "$state"/*) option='' ;;
    *)
        option=" --witness $placed"
        if [ ! -d "$root$placed" ]; then
            owner=$(sed -n 's/^dosingd:[^:]*:\([0-9]*\):\([0-9]*\):.*/\1:\2/p' "$root/etc/passwd")
            mkdir -p "$root$placed"
            chown "$owner" "$root$placed"
            chmod 750 "$root$placed"
        fi ;;
esac

# -- over to it ------------------------------------------------------------------------------------------------------

# A power cut from here on must find a program whole, the former one or this.
sync
ln -sfn "$(basename "$venv")" "$root/opt/dosingd.new"
mv -Tf "$root/opt/dosingd.new" "$root/opt/dosingd"
venv=''
was_running=''
if live; then
    systemctl daemon-reexec
    if running; then was_running=yes; systemctl restart dosingd.service; fi
fi
for former in "$root"/opt/dosingd-venv.*; do
    [ "$(basename "$former")" = "$(readlink "$root/opt/dosingd")" ] || rm -rf "$former"
done

say "dosingd $("$root/opt/dosingd/bin/dosingd" --version | cut -d' ' -f2) is installed."
say "  plan     $plan$(cmp -s "$example" "$root$plan" 2>/dev/null && printf ', an example still')"
say "  ledger   in $state"
say "  witness  in $placed"
if [ -n "$was_running" ]; then
    say "The service was running and was started anew. To see it: dosingd status"
    exit 0
fi
if [ -n "$start" ]; then
    [ -e "$root$state/ledger.sqlite" ] || refuse "There is no ledger yet, so it is not started: sudo dosingd init$option"
    ! cmp -s "$root/opt/dosingd/share/dosingd/plan.example.yaml" "$root$plan" ||
        refuse "$plan is still the example, and its rig is invented. It is not started."
    if live; then systemctl enable --now dosingd.service; else systemctl --root="$root" enable dosingd.service; fi
    say "It is enabled$(live && printf ' and started'). To see it: dosingd status"
    exit 0
fi
say "Write your own rig into the plan (sudo editor $plan), then:"
say "  dosingd check $plan"
say "  sudo dosingd init$option"
say "  sudo systemctl enable --now dosingd"
say "Whoever may ask it and order it without sudo: sudo usermod -a -G dosingd NAME"
