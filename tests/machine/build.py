"""The image of an emulated board: a Debian root, a kernel with simulated GPIO lines, and this project's dependencies.

    python -m tests.machine.build     # as root; prints where the image lies

It is kept under $XDG_CACHE_HOME/dosingd-machine (~/.cache if that is not set), by what went into it, and made again
only when that has changed. What runs in the guest for the tests (guest/), and the project's own wheel, are not in it:
they are brought to each machine freshly.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tests.machine import modules

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
#: What must be installed to build an image; qemu-system-x86 is all that it takes to run one.
PACKAGES = (
    "qemu-system-x86", "seabios", "debootstrap", "e2fsprogs", "cpio", "kmod", "gcc", "make", "linux-headers-amd64",
)  # fmt: skip
SUITE = "bookworm"
#: What the guest is made of, besides what debootstrap calls a minimal base.
GUEST_PACKAGES = (
    "systemd", "systemd-sysv", "udev", "kmod", "procps", "python3", "python3-venv", "util-linux", "sudo",
)  # fmt: skip
#: The guest's Python, and where the wheels of what the project needs lie: the guest has no network.
GUEST_PYTHON = "3.11"
WHEELS = "var/wheels"
#: Loaded by the first stage, in this order.
MODULES = (
    "virtio_ring", "virtio", "virtio_pci_modern_dev", "virtio_pci_legacy_dev", "virtio_pci", "virtio_blk", "crc16",
    "crc32c_generic", "mbcache", "jbd2", "ext4", "virtio-rng", "configfs", "watchdog", "i6300esb",
)  # fmt: skip
ROOT_MB = 512


class CannotBuild(Exception):
    """The image cannot be made here; the message says what is missing."""


@dataclass(frozen=True)
class Image:
    """What a machine starts from. The root file system is never written to: each machine has a copy."""

    kernel: Path
    initrd: Path
    root: Path


def image() -> Image:
    """The image, built if there is none for these inputs. Raises CannotBuild."""
    place = _cache() / _key()
    found = Image(place / "vmlinuz", place / "initrd", place / "root.ext4")
    # Two who want it at once: one makes it, and the other waits.
    with (_cache() / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (place / "complete").exists():
            _can_build()
            with tempfile.TemporaryDirectory(prefix="making-", dir=_cache()) as work:
                _build(Path(work))
                (Path(work) / "complete").touch()
                shutil.rmtree(place, ignore_errors=True)
                place.mkdir()
                for name in ("vmlinuz", "initrd", "root.ext4", "complete"):
                    os.replace(Path(work) / name, place / name)
    return found


def said(*command: str, cwd: Path | None = None) -> str:
    """A command's output. Raises CannotBuild with the end of what it said."""
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False, env=_environment())
    if done.returncode:
        tail = "\n".join((done.stdout + done.stderr).splitlines()[-15:])
        raise CannotBuild(f"{shlex.join(command)} ended with {done.returncode}:\n{tail}")
    return done.stdout


def archive(tree: Path, to: Path) -> None:
    """A directory as an archive that a kernel unpacks into its first stage. Several may follow one another."""
    said("sh", "-c", 'find . | sort | cpio -o -H newc --quiet -R 0:0 > "$0"', str(to), cwd=tree)


def dependencies() -> list[str]:
    """What the wheel needs on a board, the binding of its pins included."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return [*project["dependencies"], *project["optional-dependencies"]["pi"]]


def _cache() -> Path:
    place = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "dosingd-machine"
    place.mkdir(parents=True, exist_ok=True)
    return place


def _key() -> str:
    inputs: list[bytes] = [file.read_bytes() for file in (HERE / "build.py", HERE / "modules.py")]
    inputs += [one.encode() for one in dependencies()]
    digest = hashlib.sha256()
    for one in inputs:
        digest.update(len(one).to_bytes(8, "big") + one)
    return digest.hexdigest()[:16]


def _environment() -> dict[str, str]:
    return {**os.environ, "LC_ALL": "C", "DEBIAN_FRONTEND": "noninteractive", "SOURCE_DATE_EPOCH": "1700000000"}


def _can_build() -> None:
    if os.geteuid():
        raise CannotBuild("no image is kept here, and only root can make one (debootstrap)")
    lacking = [tool for tool in ("debootstrap", "mke2fs", "cpio", "gcc", "make", "depmod") if not shutil.which(tool)]
    if lacking:
        raise CannotBuild(f"{', '.join(lacking)} missing: apt-get install --no-install-recommends {' '.join(PACKAGES)}")


def _build(work: Path) -> None:
    with ThreadPoolExecutor() as both:
        for part in (both.submit(_kernel, work), both.submit(_root, work)):
            part.result()


def _kernel(work: Path) -> None:
    release = modules.release()
    series = ".".join(release.split(".")[:2])
    debs = work / "debs"
    debs.mkdir()
    said("apt-get", "download", f"linux-image-{release}", f"linux-source-{series}", "busybox-static", cwd=debs)
    for deb in debs.iterdir():
        target = work / deb.name.split("_")[0].split("-")[1]  # image, source, static
        said("dpkg", "-x", str(deb), str(target))
    built = modules.build(work / "source", release, work / "modules")
    shutil.copy(work / "image" / "boot" / f"vmlinuz-{release}", work / "vmlinuz")
    _initrd(work, work / "image" / "lib" / "modules" / release, built)


def _initrd(work: Path, kernel_modules: Path, built: Iterable[Path]) -> None:
    tree = work / "first"
    for name in ("bin", "modules", "proc", "sys", "dev", "root", "run"):
        (tree / name).mkdir(parents=True)
    shutil.copy(work / "static" / "bin" / "busybox", tree / "bin" / "busybox")
    found = {path.name.split(".ko")[0]: path for path in kernel_modules.rglob("*.ko*")}
    order = [found[name] for name in MODULES if name in found] + list(built)
    lacking = [name for name in MODULES if name not in found and not _built_in(kernel_modules, name)]
    if lacking:
        raise CannotBuild(f"this kernel has no {', '.join(lacking)}")
    for path in order:
        shutil.copy(path, tree / "modules" / path.name)
    (tree / "modules" / "order").write_text("".join(f"{path.name}\n" for path in order), encoding="ascii")
    archive(tree, work / "initrd")


def _built_in(kernel_modules: Path, name: str) -> bool:
    builtin = (kernel_modules / "modules.builtin").read_text(encoding="ascii")
    return f"/{name.replace('_', '-')}.ko" in builtin or f"/{name}.ko" in builtin


def _root(work: Path) -> None:
    tree = work / "root"
    said("debootstrap", "--variant=minbase", f"--include={','.join(GUEST_PACKAGES)}", SUITE, str(tree), _mirror())
    (tree / "etc" / "machine-id").write_text("", encoding="ascii")
    (tree / "etc" / "hostname").write_text("board\n", encoding="ascii")
    for place in ("var/cache/apt", "var/lib/apt/lists", "usr/share/doc", "usr/share/man", "usr/share/locale"):
        shutil.rmtree(tree / place, ignore_errors=True)
    _fetch_dependencies(tree / WHEELS)
    said("chroot", str(tree), "python3", "-m", "compileall", "-q", f"/usr/lib/python{GUEST_PYTHON}")
    said("mke2fs", "-q", "-t", "ext4", "-L", "root", "-d", str(tree), str(work / "root.ext4"), f"{ROOT_MB}M")


def _fetch_dependencies(place: Path) -> None:
    platforms = [f"--platform={one}" for one in ("manylinux_2_34_x86_64", "manylinux2014_x86_64", "linux_x86_64")]
    said(
        sys.executable, "-m", "pip", "download", "-q", "--disable-pip-version-check", "--only-binary=:all:",
        "--implementation=cp", f"--python-version={GUEST_PYTHON}", *platforms, f"--dest={place}", *dependencies(),
    )  # fmt: skip


def _mirror() -> str:
    """Where apt takes the suite from."""
    listed = said("apt-get", "indextargets", "--format", "$(REPO_URI) $(CODENAME) $(COMPONENT)", "Created-By: Packages")
    for line in listed.splitlines():
        uri, *rest = line.split()
        if rest == [SUITE, "main"]:
            return uri
    raise CannotBuild(f"apt has no source for {SUITE} main, of which the guest is made")


if __name__ == "__main__":
    print(image().root.parent)
