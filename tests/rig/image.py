"""Builds the disk image of the rig: Debian with its own kernel and systemd, and the project in it.

Everything is fetched and installed here, at the speed of this machine: the machine in the rig is
emulated, some fifteen times slower, and has no network.  What was built is kept in a folder
(``BOTTOMHEAT_RIG_CACHE``, or ``bottomheat-rig`` in the user's cache) and used again as long as what
it was made of is the same.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import platform
import re
import shutil
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent

SUITES = ("bookworm",)
"""Debian releases that the rig is built from; the release of this machine has to be one of them,
because kernel modules are compiled here and packages come from this machine's own sources."""

TOOLS = {
    "qemu-system-x86_64": "qemu-system-x86",
    "qemu-img": "qemu-utils",
    "mmdebstrap": "mmdebstrap",
    "mke2fs": "e2fsprogs",
    "debugfs": "e2fsprogs",
    "gcc": "gcc",
    "make": "make",
}
PACKAGES = (
    "systemd", "systemd-sysv", "dbus", "udev", "kmod", "linux-image-amd64",
    "python3", "python3-venv", "e2fsprogs", "procps", "sqlite3",
)  # fmt: skip
LEFT_OUT = (
    "/usr/share/man/*",
    "/usr/share/doc/*",
    "/usr/share/locale/*",
    *(
        f"/lib/modules/*/kernel/{part}/*"
        for part in (
            "drivers/gpu", "drivers/media", "drivers/net", "drivers/infiniband", "drivers/scsi",
            "drivers/usb", "drivers/iio", "drivers/staging", "net", "sound",
        )
    ),
)  # fmt: skip
USELESS_MODULES = (
    "arch/x86/kvm", "arch/x86/crypto", "drivers/acpi", "drivers/ata", "drivers/cpufreq",
    "drivers/edac", "drivers/i2c", "drivers/input", "drivers/mfd", "drivers/platform",
    "drivers/gpio", "drivers/hid", "drivers/bluetooth", "drivers/parport", "drivers/powercap",
    "drivers/watchdog/iTCO_wdt.ko", "drivers/watchdog/iTCO_vendor_support.ko",
)  # fmt: skip
"""Of hardware that QEMU shows and the rig does not need: looking at it takes seconds of a boot."""
EARLY_MODULES = ("virtio_pci", "virtio_blk", "ext4", "crc32c_generic")
FREE_BYTES = 4 * 2**30
LONGEST_S = 900.0

PROBES = {
    "28-000000000001": 18_000,
    "28-000000000002": 12_000,
    "28-000000000003": 18_000,
    "28-000000000004": 18_000,
    "28-000000000011": 18_000,
    "28-000000000013": 18_000,
}
"""Probes that hang on the bus from the start, with what they read, millikelvin above 0 °C."""

WATCHDOG_S = 15.0
"""The time of the machine's hardware watchdog."""


class CannotBuildError(Exception):
    """This machine cannot have a rig; the text is one line that says why."""


@dataclass(frozen=True)
class Image:
    """What a machine boots from; nobody removes it while ``held`` is open."""

    disk: Path
    kernel: Path
    initrd: Path
    held: BinaryIO


def build() -> Image:
    """Build the image, or take the one that was built of the same things.

    Several processes may ask at once: one builds, the others wait for it.

    Raises:
        CannotBuildError: this machine lacks something that cannot be installed.
        subprocess.CalledProcessError: a step failed; that is a fault of the rig or the project.
    """
    suite = _this_machine()
    cache = cache_folder()
    cache.mkdir(parents=True, exist_ok=True)
    with (cache / "lock").open("wb") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        _tools()
        kept = any(cache.glob("rootfs-*.tar"))
        try:
            rootfs, version, modules = _linux(cache, suite)
        except CannotBuildError:
            if not kept:
                raise
            rootfs, version, modules = _linux(cache, suite)  # what was kept was too old
        return _image(cache, rootfs, version, modules, _wheels(cache))


def _linux(cache: Path, suite: str) -> tuple[Path, str, Path]:
    """A minimal Debian, the version of its kernel, and the modules for it."""
    rootfs = _rootfs(cache, suite)
    version = _kernel_version(rootfs)
    return rootfs, version, _modules(cache, rootfs, version)


def cache_folder() -> Path:
    """Where built parts are kept."""
    named = os.environ.get("BOTTOMHEAT_RIG_CACHE")
    if named:
        return Path(named)
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "bottomheat-rig"


def _this_machine() -> str:
    if os.geteuid() != 0:
        raise CannotBuildError("the rig is built with chroot and packages, so it needs root")
    if platform.machine() != "x86_64":
        raise CannotBuildError(f"the rig is for x86_64 machines, and this is {platform.machine()}")
    try:
        text = Path("/etc/os-release").read_text()
    except OSError:
        text = ""
    found = re.search(r"^VERSION_CODENAME=\"?(\w+)", text, re.M)
    suite = found.group(1) if found else "unknown"
    if suite not in SUITES or not _sources(suite):
        raise CannotBuildError(
            f"the rig is built from the packages of Debian {' or '.join(SUITES)}, and this "
            f"machine has sources of {suite}"
        )
    return suite


def _sources(suite: str) -> list[Path]:
    """This machine's lists of Debian's own packages."""
    folder = Path("/etc/apt")
    lists = [folder / "sources.list", *sorted(folder.glob("sources.list.d/*"))]
    return [
        path
        for path in lists
        if path.suffix in (".list", ".sources")
        and path.is_file()
        and re.search(rf"\b{suite}\s+main|Suites:.*\b{suite}\b", path.read_text())
    ]


def _tools() -> None:
    missing = sorted({package for tool, package in TOOLS.items() if not shutil.which(tool)})
    if missing:
        try:
            _apt("update")
            _apt("install", "-y", "--no-install-recommends", *missing)
        except (OSError, subprocess.SubprocessError) as error:
            raise CannotBuildError(
                f"the rig needs {', '.join(missing)}, and apt cannot install them"
                f" ({_last_word(error)})"
            ) from error


APT_OPTIONS = ("Acquire::Retries=1", "Acquire::http::Timeout=30", "DPkg::Lock::Timeout=120")


def _apt(*words: str) -> None:
    options = [f"-o{option}" for option in APT_OPTIONS]
    environment = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    _run(["apt-get", "-q", *options, *words], env=environment)


def _last_word(error: Exception) -> str:
    """The last line of what a command said, or what there is to say of it otherwise."""
    said = str(getattr(error, "output", None) or "").strip().splitlines()
    return said[-1] if said else str(error)


def _run(command: Sequence[str | Path], **more: object) -> None:
    """Run a command; what it says comes with the error if it fails."""
    done = subprocess.run(  # type: ignore[call-overload]
        ["nice", "-n", "5", *command],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=LONGEST_S,
        check=False,
        **more,
    )
    if done.returncode != 0:
        said = done.stdout[-4000:]
        error = subprocess.CalledProcessError(done.returncode, list(map(str, command)), output=said)
        error.add_note(said)
        raise error


def _key(*parts: object) -> str:
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:16]


def _rootfs(cache: Path, suite: str) -> Path:
    """A minimal Debian as a tar file."""
    rootfs = cache / f"rootfs-{suite}-{_key(PACKAGES, LEFT_OUT, EARLY_MODULES)}.tar"
    if rootfs.exists():
        return rootfs
    if shutil.disk_usage(cache).free < FREE_BYTES:
        raise CannotBuildError(f"the rig needs {FREE_BYTES // 2**30} GB free in {cache}")
    early = "\\n".join(EARLY_MODULES)
    fresh = rootfs.with_suffix(".new.tar")
    command = [
        "mmdebstrap", "--mode=root", "--variant=minbase", "--format=tar",
        f"--include={','.join(PACKAGES)}",
        *(f"--dpkgopt=path-exclude={path}" for path in LEFT_OUT),
        "--dpkgopt=force-confold",
        '--aptopt=Apt::Install-Recommends "false"',
        *(f"--aptopt={option.replace('=', ' ')}" for option in APT_OPTIONS),
        '--setup-hook=mkdir -p "$1/etc/initramfs-tools/conf.d"'
        ' && echo MODULES=list >"$1/etc/initramfs-tools/conf.d/rig"'
        f' && printf "{early}\\n" >"$1/etc/initramfs-tools/modules"',
        suite, fresh, *_sources(suite),
    ]  # fmt: skip
    try:
        _run(command)
    except (OSError, subprocess.SubprocessError) as error:
        fresh.unlink(missing_ok=True)
        raise CannotBuildError(
            f"mmdebstrap cannot build a Debian of this machine's sources ({_last_word(error)})"
        ) from error
    fresh.rename(rootfs)
    return rootfs


def _kernel_version(rootfs: Path) -> str:
    listed = subprocess.run(
        ["tar", "tf", rootfs, "--wildcards", "./boot/vmlinuz-*"],
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    ).stdout
    return listed.strip().removeprefix("./boot/vmlinuz-")


def _modules(cache: Path, rootfs: Path, version: str) -> Path:
    """The kernel modules of the simulated hardware, compiled for the kernel in ``rootfs``."""
    sources = sorted((HERE / "kernel").iterdir())
    folder = cache / f"modules-{version}-{_key([path.read_bytes() for path in sources])}"
    if folder.exists():
        return folder
    headers = Path(f"/usr/src/linux-headers-{version}")
    if not headers.exists():
        try:
            _apt("update")
            _apt("install", "-y", "--no-install-recommends", f"linux-headers-{version}")
        except (OSError, subprocess.SubprocessError) as error:
            rootfs.unlink()  # of another state of the mirror
            raise CannotBuildError(
                f"apt cannot install the headers of kernel {version} ({_last_word(error)})"
            ) from error
    with _scratch(cache) as work:
        for path in sources:
            shutil.copy(path, work)
        _run(["make", "-s", "-C", work, f"KDIR={headers}"])
        made = work / "made"
        made.mkdir()
        for module in work.glob("*.ko"):
            module.rename(made / module.name)
        made.rename(folder)
    return folder


def _wheels(cache: Path) -> Path:
    """Every Python package that the install asks for, because the chroot has no network."""
    lock = ROOT / "requirements.lock"
    folder = cache / f"wheels-{_key(lock.read_bytes(), 2)}"
    if folder.exists():
        return folder
    with _scratch(cache) as work:
        pip = [sys.executable, "-m", "pip", "download", "-q", "--only-binary=:all:", "-d", work]
        guest = ["--python-version", "3.11", "--implementation", "cp"]
        guest += [f"--platform=manylinux_2_{minor}_x86_64" for minor in (34, 31, 28, 27, 17)]
        try:
            _run([*pip, *guest, "--no-deps", "--require-hashes", "-r", lock])
            _run([*pip, *guest, "hatchling", "pip", "lgpio==0.2.2.0"])
        except (OSError, subprocess.SubprocessError) as error:
            raise CannotBuildError(
                f"pip cannot fetch the packages of requirements.lock ({_last_word(error)})"
            ) from error
        work.chmod(0o755)
        shutil.copytree(work, folder)
    return folder


@contextmanager
def _scratch(cache: Path) -> Iterator[Path]:
    with tempfile.TemporaryDirectory(dir=cache, prefix="work-") as folder:
        yield Path(folder)


def _image(cache: Path, rootfs: Path, version: str, modules: Path, wheels: Path) -> Image:
    """The whole disk: Debian, the simulated hardware, what Raspberry Pi OS has, and the project."""
    files = _project_files()
    parts = [(str(path.relative_to(ROOT)), path.read_bytes()) for path in files]
    guest = [path.read_bytes() for path in sorted((HERE / "guest").iterdir())]
    key = _key(rootfs.name, modules.name, wheels.name, parts, guest, Path(__file__).read_bytes())
    folder = cache / f"image-{key}"
    if folder.exists():
        return _held(folder)
    for old in cache.glob("image-*"):
        _remove_unless_held(old)
    with _scratch(cache) as work:
        root, made = work / "root", work / "made"
        root.mkdir()
        made.mkdir()
        _run(["tar", "-C", root, "--numeric-owner", "--xattrs", "-xf", rootfs])
        shutil.copy(root / f"boot/vmlinuz-{version}", made / "vmlinuz")
        shutil.copy(root / f"boot/initrd.img-{version}", made / "initrd")
        _hardware(root, modules, version)
        _system(root, wheels)
        _install(root, files, wheels)
        disk = made / "root.img"
        with disk.open("wb") as file:
            file.truncate(3 * 2**30)
        _run(["mke2fs", "-q", "-t", "ext4", "-L", "root", "-d", root, disk])
        made.rename(folder)
    return _held(folder)


def _held(folder: Path) -> Image:
    """Use an image for as long as this process lives."""
    held = (folder / "vmlinuz").open("rb")
    fcntl.flock(held, fcntl.LOCK_SH)
    return Image(folder / "root.img", folder / "vmlinuz", folder / "initrd", held)


def _remove_unless_held(folder: Path) -> None:
    """Remove an image of other files, if no machine can boot from it any more."""
    try:
        with (folder / "vmlinuz").open("rb") as held:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
            shutil.rmtree(folder)
    except FileNotFoundError:  # its removal was broken off
        shutil.rmtree(folder)
    except BlockingIOError:
        pass


def _project_files() -> list[Path]:
    """What a fresh clone of the project holds, as far as an install looks at it."""
    tops = ("README.md", "LICENSE", "pyproject.toml", "requirements.lock")
    folders = ("controller", "drivers", "config", "systemd")
    return [
        *(ROOT / name for name in tops),
        *(
            path
            for name in folders
            for path in sorted((ROOT / name).rglob("*"))
            if path.is_file() and "__pycache__" not in path.parts and path.suffix != ".pyc"
        ),
    ]


def _write(path: Path, text: str, mode: int = 0o644) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    path.chmod(mode)


def _hardware(root: Path, modules: Path, version: str) -> None:
    """Lines and probes, as a Pi has them with dtoverlay=w1-gpio."""
    for name in USELESS_MODULES:
        useless = root / "lib/modules" / version / "kernel" / name
        shutil.rmtree(useless) if useless.is_dir() else useless.unlink(missing_ok=True)
    extra = root / "lib/modules" / version / "extra"
    extra.mkdir()
    for module in modules.iterdir():
        shutil.copy(module, extra)
    _run(["chroot", root, "depmod", version])
    probes = ",".join(f"{name}:{millicelsius}" for name, millicelsius in PROBES.items())
    _write(root / "etc/modprobe.d/shed.conf", f"options shed_w1 probes={probes}\n")
    _write(root / "etc/modules-load.d/shed.conf", "shed_gpio\nshed_w1\nvirtio_console\ni6300esb\n")


def _system(root: Path, wheels: Path) -> None:
    """What Raspberry Pi OS brings and Debian does not; the data on a disk of its own; the agent."""
    _run(["chroot", root, "groupadd", "--system", "gpio"])
    (lgpio,) = wheels.glob("lgpio-*.whl")  # is python3-lgpio there
    with zipfile.ZipFile(lgpio) as archive:
        archive.extractall(root / "usr/lib/python3/dist-packages")
    _run(["chroot", root, "python3", "-m", "compileall", "-q", "/usr/lib/python3/dist-packages"])
    _write(
        root / "etc/udev/rules.d/60-gpio.rules",
        'SUBSYSTEM=="gpio", KERNEL=="gpiochip*", GROUP="gpio", MODE="0660"\n',
    )
    _write(root / "etc/hostname", "shed\n")
    _write(
        root / "etc/fstab",
        "LABEL=root / ext4 rw,relatime 0 0\n"
        "LABEL=data /srv/data ext4 rw,relatime 0 2\n"
        "/srv/data/bottomheat /var/lib/bottomheat none bind 0 0\n",
    )
    _write(
        root / "etc/systemd/system.conf.d/rig.conf",
        f"[Manager]\nRuntimeWatchdogSec={WATCHDOG_S:.0f}\n",
    )
    for folder in ("srv/data", "var/lib/bottomheat"):
        (root / folder).mkdir(parents=True, exist_ok=True)
    _write(root / "opt/rig/agent.py", (HERE / "guest/agent.py").read_text())
    units = root / "etc/systemd/system"
    _write(units / "rig-agent.service", (HERE / "guest/rig-agent.service").read_text())
    _run(["chroot", root, "systemctl", "enable", "rig-agent.service"])
    _run(["chroot", root, "systemctl", "set-default", "multi-user.target"])
    for name in (
        "apt-daily.timer", "apt-daily-upgrade.timer", "dpkg-db-backup.timer", "e2scrub_all.timer",
        "e2scrub_reap.service", "fstrim.timer", "getty@tty1.service", "serial-getty@ttyS0.service",
        "systemd-timesyncd.service", "systemd-logind.service",
    ):  # fmt: skip
        (units / name).unlink(missing_ok=True)
        (units / name).symlink_to("/dev/null")


def _install(root: Path, files: Sequence[Path], wheels: Path) -> None:
    """Install the project by README's own lines, as root, in a copy of the project's files."""
    source = root / "usr/src/bottomheat"
    for path in files:
        target = source / path.relative_to(ROOT)
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(path, target)
    shutil.copytree(wheels, root / "tmp/wheels")
    environment = {
        "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
        "HOME": "/root",
        "LC_ALL": "C.UTF-8",
        "PIP_NO_INDEX": "1",
        "PIP_FIND_LINKS": "/tmp/wheels",
        "PIP_DISABLE_PIP_VERSION_CHECK": "1",
        "PIP_ROOT_USER_ACTION": "ignore",
        "PIP_NO_CACHE_DIR": "1",
    }
    for line in install_lines():
        _run(["chroot", root, "sh", "-ec", f"cd /usr/src/bottomheat && {line}"], env=environment)
    shutil.rmtree(root / "tmp/wheels")
    (root / "etc/bottomheat/chamber.yaml").write_text((HERE / "guest/chamber.yaml").read_text())


def install_lines() -> list[str]:
    """README's commands for a new machine, from the one that makes the environment on.

    The line before them gets two packages from the system, which ``_system`` has put there.
    """
    text = (ROOT / "README.md").read_text()
    block = re.search(r"^    sudo apt-get install .*\n((?:    sudo .*\n)+)", text, re.M)
    assert block is not None, "README does not say any more how to install"
    lines = [line.strip().removeprefix("sudo ") for line in block.group(1).splitlines()]
    assert lines[-1].endswith("bottomheat install"), lines
    return [*lines[:-1], f"{lines[-1]} --yes"]
