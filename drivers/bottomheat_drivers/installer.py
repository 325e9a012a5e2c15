"""Makes the program a service and undoes it: files, users, systemd; ``installing`` says what.

With a root other than ``/`` everything happens in the tree below it, and with the tools of this
machine (``systemctl --root``, ``systemd-sysusers --root``), so that an image can be made ready.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TypeAlias

import bottomheat
import bottomheat_drivers
from bottomheat import installing
from bottomheat.errors import ConfigError, DriverError, InputError, RefusedError
from bottomheat.installing import (
    COMMAND,
    CONFIG,
    FOLDERS,
    GROUPS,
    PIECES,
    PROGRAM,
    RULES,
    STAMP,
    STATE,
    UNITS,
    USERS,
    Do,
    Found,
    Have,
    Step,
    to_enable,
)
from bottomheat_drivers.pins import LGPIO_REMEDY

OLDEST_SYSTEMD = 252
BOOTED = Path("/run/systemd/system")
"""There while systemd runs (sd_booted(3))."""

Run: TypeAlias = Callable[[Sequence[str]], subprocess.CompletedProcess[str]]

_LONGEST_S = 300.0
_ETC_UNITS = "/etc/systemd/system"
_LGPIO_PROGRAM = "import lgpio, sys; sys.exit(0 if hasattr(lgpio, 'gpiochip_open') else 3)"
_RULE = re.compile(r'^\s*(SUBSYSTEM=="gpio[*"]|KERNEL=="gpiochip).*GROUP="gpio"', re.MULTILINE)


def run(command: Sequence[str]) -> subprocess.CompletedProcess[str]:
    """Run a program of the system to its end; what it says is kept.

    Raises:
        DriverError: it is not there, or does not end.
    """
    try:
        return subprocess.run(
            list(command), capture_output=True, text=True, timeout=_LONGEST_S, check=False
        )
    except FileNotFoundError:
        raise DriverError(
            f"{command[0]} is missing on this machine: it takes Raspberry Pi OS Bookworm or later, "
            "or another Linux with systemd."
        ) from None
    except (OSError, subprocess.SubprocessError) as error:
        raise DriverError(f"{' '.join(command)} did not end well ({error}).") from error


def source_folders() -> tuple[Path, Path]:
    """Where unit files and sample config lie: in this environment, or in the checkout it runs from.

    Raises:
        DriverError: in neither.
    """
    checkout = Path(bottomheat.__file__).resolve().parents[2]
    for folder in (checkout, Path(sys.prefix) / "share" / "bottomheat"):
        if (folder / "systemd" / installing.SERVICE).is_file():
            return folder / "systemd", folder / "config"
    raise DriverError(
        f"the unit files are missing in {sys.prefix}/share/bottomheat: install bottomheat anew "
        "with pip, as README says."
    )


def lgpio_trouble(python: str = sys.executable) -> str | None:
    """Why lgpio cannot drive a line, in one sentence, or None.

    It is imported in a child with a folder of its own, because it leaves a FIFO behind.  A release
    of 2021 is an empty file, which pip takes where no later one has a wheel (Python 3.13).
    """
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(
            [python, "-P", "-c", _LGPIO_PROGRAM],
            cwd=folder,
            env={**os.environ, "LG_WD": folder},
            capture_output=True,
            text=True,
            timeout=_LONGEST_S,
            check=False,
        )
    if done.returncode == 0:
        return None
    if done.returncode == 3:
        return (
            "the Python module lgpio is an empty one, which drives no relay line: "
            f"{python} -m pip uninstall lgpio, then {LGPIO_REMEDY}."
        )
    said = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
    return (
        f"the Python module lgpio, which drives the relay lines, does not load ({said}): "
        f"{LGPIO_REMEDY}."
    )


def closed_to_others(paths: Sequence[Path]) -> Path | None:
    """The first of these that not everybody may read, as a strict umask of root leaves it."""
    for path in paths:
        mode = path.stat().st_mode
        wanted = 0o005 if path.is_dir() else 0o004
        if mode & wanted != wanted:
            return path
    return None


class Installer:
    """One machine, or the tree of one.

    Args:
        root: ``/`` or the folder that holds the tree.
        live: whether systemd runs there and is to be told; found out where not given.
        run: starts programs of the system.
    """

    def __init__(self, root: Path, *, live: bool | None = None, run: Run = run) -> None:
        if not root.is_dir():
            raise InputError(f"{root} is no folder: give the one that holds the machine's tree.")
        self._root = root.resolve()
        here = self._root == Path("/")
        self.live = (here and BOOTED.is_dir()) if live is None else live
        # also for the root of a chroot, where /proc may not be mounted
        self._tree: tuple[str, ...] = () if self.live else (f"--root={self._root}",)
        self._run = run
        self._units, self._samples = source_folders()

    # -- looking

    def obstacles(self) -> list[str]:
        """Why nothing can be done here, a sentence each."""
        found = []
        if os.geteuid() != 0:
            found.append("Installing and removing takes root: put sudo in front.")
        if shutil.which("systemctl") is None:
            found.append(
                "There is no systemd on this machine, which starts and minds the services: use "
                "Raspberry Pi OS Bookworm or later, or bottomheat run in a terminal."
            )
        else:
            words = self._run(["systemctl", "--version"]).stdout.split()
            if len(words) > 1 and words[1].isdigit() and int(words[1]) < OLDEST_SYSTEMD:
                found.append(
                    f"systemd {words[1]} is too old for the unit files, which take "
                    f"{OLDEST_SYSTEMD}: use Raspberry Pi OS Bookworm or later."
                )
        return found

    def install_obstacles(self) -> list[str]:
        """Why the program here cannot be made a service, a sentence each."""
        found = self.obstacles()
        if self._root != Path("/"):
            return found
        if Path(sys.prefix) != Path(PROGRAM):
            found.append(
                f"The units start {PROGRAM}/bin/bottomheat, and this one lies in {sys.prefix}: "
                "make the environment there, as README says, and install from it."
            )
        elif closed := closed_to_others(
            (Path(PROGRAM), Path(sys.executable), Path(bottomheat.__file__))
        ):
            found.append(
                f"The users of the services may not read {closed}: sudo chmod -R go+rX {PROGRAM}"
            )
        trouble = lgpio_trouble()
        if trouble is not None:
            found.append(trouble[0].upper() + trouble[1:])
        return found

    def doubts(self) -> list[str]:
        """What is strange and stops nothing, a sentence each."""
        found = []
        if self._root != Path("/"):
            if not os.access(self._at(f"{PROGRAM}/bin/bottomheat"), os.X_OK):
                found.append(
                    f"There is no {PROGRAM}/bin/bottomheat in {self._root} yet: put it there "
                    "before that machine starts.  Whether its lgpio works is not looked at."
                )
        elif self.live and not _model().startswith("Raspberry Pi"):
            found.append(
                "This is not a Raspberry Pi, so that it has no lines to drive a relay with: the "
                "keeper will say so and give no heat."
            )
        link = self._at(COMMAND)
        if self._command() is Have.OTHER:
            found.append(f"{link} is somebody else's and stays; call {PROGRAM}/bin/bottomheat.")
        return found

    def look(self) -> Found:
        """What there is."""
        stamp = self._stamp()
        known = stamp.get("units")
        return Found(
            live=self.live,
            pieces={path: self._compare(path, name) for path, name in PIECES.items()},
            hiding=tuple(self._hiding()),
            gpio_rule=self._gpio_rule(),
            missing_users=tuple(self._missing_users()),
            missing_folders=tuple(f for f in FOLDERS if not self._at(f).is_dir()),
            config=self._config(),
            tells=self._tells(),
            command=self._command(),
            stamped=bool(stamp),
            current=stamp.get("program") == fingerprint(),
            known=frozenset(known if isinstance(known, list) else ()) & frozenset(UNITS),
            running=frozenset(self._running()) if self.live else frozenset(),
            enabled=frozenset(unit for unit in UNITS if self._is_enabled(unit)),
            wired=self._at(f"{STATE}/keeper-wiring.json").exists()
            and any(self._at("/dev").glob("gpiochip*")),
            kept=tuple(path for path in (*FOLDERS, PROGRAM) if self._at(path).is_dir()),
            own_settings=tuple(
                f"{_ETC_UNITS}/{unit}.d"
                for unit in UNITS
                if self._at(f"{_ETC_UNITS}/{unit}.d").is_dir()
            ),
        )

    def _at(self, path: str) -> Path:
        return self._root / path.lstrip("/")

    def _compare(self, path: str, name: str) -> Have:
        ours = (self._units / name).read_bytes()
        try:
            theirs = self._at(path).read_bytes()
        except FileNotFoundError:
            return Have.MISSING
        except OSError:
            return Have.OTHER
        return Have.SAME if theirs == ours else Have.OTHER

    def _hiding(self) -> Iterator[str]:
        for unit in UNITS:
            path = self._at(f"{_ETC_UNITS}/{unit}")
            if path.is_file() and not path.is_symlink():
                yield f"{_ETC_UNITS}/{unit}"

    def _gpio_rule(self) -> bool:
        for folder in ("/etc", "/usr/local/lib", "/usr/lib", "/lib"):
            for file in sorted(self._at(f"{folder}/udev/rules.d").glob("*.rules")):
                if file != self._at(RULES):
                    with suppress(OSError):
                        if _RULE.search(file.read_text(encoding="utf-8", errors="replace")):
                            return True
        return False

    def _missing_users(self) -> Iterator[str]:
        for kind, file, names in (("user", "passwd", USERS), ("group", "group", GROUPS)):
            there = self._names(f"/etc/{file}")
            yield from (f"{kind} {name}" for name in names if name not in there)

    def _names(self, file: str) -> dict[str, int]:
        try:
            lines = self._at(file).read_text(encoding="utf-8", errors="replace").splitlines()
        except OSError:
            return {}
        parts = [line.split(":") for line in lines]
        return {part[0]: int(part[2]) for part in parts if len(part) > 2 and part[2].isdigit()}

    def _config(self) -> Have:
        try:
            text = self._at(CONFIG).read_bytes()
        except FileNotFoundError:
            return Have.MISSING
        except OSError:
            return Have.OTHER
        return Have.SAME if text == (self._samples / "chamber.yaml").read_bytes() else Have.OTHER

    def _tells(self) -> bool:
        from bottomheat_drivers.config_yaml import load

        try:
            config = load(self._at(CONFIG)).parsed.config
        except ConfigError:
            return False
        return config is not None and config.alerts is not None

    def _command(self) -> Have:
        path = self._at(COMMAND)
        if path.is_symlink():
            ours = os.readlink(path) == f"{PROGRAM}/bin/bottomheat"
            return Have.SAME if ours else Have.OTHER
        return Have.OTHER if path.exists() else Have.MISSING

    def _stamp(self) -> dict[str, object]:
        try:
            found = json.loads(self._at(STAMP).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return found if isinstance(found, dict) else {}

    def _running(self) -> Iterator[str]:
        for unit in UNITS:
            state = self._run(["systemctl", "show", "--property=ActiveState", "--value", unit])
            if state.stdout.strip() not in ("", "inactive", "failed"):
                yield unit

    def _is_enabled(self, unit: str) -> bool:
        folders = self._at(_ETC_UNITS).glob("*.wants")
        return any((folder / unit).is_symlink() for folder in folders)

    # -- doing

    def do(self, step: Step) -> None:
        """Do one step.

        Raises:
            DriverError: a program of the system refused or a file could not be written; what was
                done before stays, and the same command goes on from there.
        """
        try:
            self._do(step)
        except OSError as error:
            where = error.filename or step.subject
            raise DriverError(
                f"{where}: {error.strerror or error}; put that right and call the same again."
            ) from error

    def _do(self, step: Step) -> None:
        match step.do:
            case Do.SET_ASIDE:
                path = self._at(step.subject)
                path.rename(path.with_name(f"{path.name}.before"))
            case Do.WRITE:
                content = (self._units / PIECES[step.subject]).read_bytes()
                _write(self._at(step.subject), content)
            case Do.USERS:
                self._at("/etc").mkdir(exist_ok=True)
                self._tool("systemd-sysusers", *self._tree, "bottomheat.conf")
            case Do.FOLDERS:
                self._make_folders()
            case Do.CONFIG:
                self._place_config()
            case Do.LINK:
                path = self._at(COMMAND)
                path.parent.mkdir(parents=True, exist_ok=True)
                path.symlink_to(f"{PROGRAM}/bin/bottomheat")
            case Do.RULES:
                if self._at("/run/udev/control").exists():  # a container has no udev of its own
                    self._tool("udevadm", "control", "--reload")
                    self._tool("udevadm", "trigger", "--subsystem-match=gpio")
            case Do.RELOAD:
                self._tool("systemctl", "daemon-reload")
            case Do.ENABLE | Do.DISABLE:
                self._tool("systemctl", *self._tree, step.do.value, step.subject)
            case Do.START | Do.RESTART | Do.STOP:
                self._tool("systemctl", step.do.value, step.subject)
            case Do.OPEN:
                self._open_lines()
            case Do.REMEMBER:
                known = self.look().known | set(to_enable(self._tells()))
                note = {
                    "program": fingerprint(),
                    "units": sorted(known),
                    "version": bottomheat.__version__,
                }
                _write(self._at(STAMP), json.dumps(note).encode() + b"\n")
            case Do.REMOVE | Do.FORGET:
                self._at(step.subject).unlink(missing_ok=True)
                with suppress(OSError):  # a folder that still holds something stays
                    self._at(step.subject).parent.rmdir()

    def _tool(self, *command: str) -> None:
        done = self._run(command)
        if done.returncode == 0:
            return
        said = "; ".join(done.stderr.strip().splitlines()[-2:]) or f"status {done.returncode}"
        hint = ""
        if command[0] == "systemctl" and command[1] in ("start", "restart"):
            hint = f"; journalctl -u {command[-1]} says why"
        raise DriverError(f"{' '.join(command)} failed: {said}{hint}.")

    def _make_folders(self) -> None:
        """Make what is missing; systemd-tmpfiles would take /proc, which a chroot may not have."""
        for path, (mode, owner, group) in FOLDERS.items():
            folder = self._at(path)
            if folder.is_dir():
                continue
            folder.parent.mkdir(parents=True, exist_ok=True)
            folder.mkdir(mode=0o700)
            os.chown(folder, self._id("/etc/passwd", owner), self._id("/etc/group", group))
            folder.chmod(mode)

    def _id(self, file: str, name: str) -> int:
        if name == "root":
            return 0
        try:
            return self._names(file)[name]
        except KeyError:
            raise DriverError(f"{self._at(file)} has no {name}: call the same again.") from None

    def _place_config(self) -> None:
        """Put the sample where no config is, whole or not at all, and never over another."""
        path = self._at(CONFIG)
        path.parent.mkdir(parents=True, exist_ok=True)
        spare = path.with_name(f".{path.name}.new")
        _write(spare, (self._samples / "chamber.yaml").read_bytes(), mode=0o640)
        try:
            os.chown(spare, 0, self._id("/etc/group", "bottomheat"))
            with suppress(FileExistsError):
                os.link(spare, path)
        finally:
            spare.unlink()

    def _open_lines(self) -> None:
        with tempfile.TemporaryDirectory() as folder:
            done = self._run(
                [
                    "env",
                    f"LG_WD={folder}",
                    sys.executable,
                    "-P",
                    "-m",
                    "bottomheat.keep_main",
                    "open-lines",
                    str(self._at(CONFIG)),
                ]
            )
        if done.returncode != 0:
            said = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
            raise DriverError(
                f"the relay lines could not be opened ({said}): switch the mats off at their plugs "
                "before you go on."
            )


def refuse(obstacles: Sequence[str]) -> None:
    """End with the first obstacle, if there is any.

    Raises:
        RefusedError: there is one.
    """
    if obstacles:
        raise RefusedError("\n".join(obstacles))


def fingerprint() -> str:
    """A short mark of the program's code, its units, its libraries and the Python that runs it."""
    digest = hashlib.sha256(sys.version.encode())
    for file in sorted(source_folders()[0].iterdir()):
        digest.update(file.name.encode() + b"\0" + file.read_bytes())
    for package in (bottomheat, bottomheat_drivers):
        folder = Path(str(package.__file__)).parent
        for file in sorted(folder.rglob("*.py")):
            digest.update(str(file.relative_to(folder)).encode() + b"\0" + file.read_bytes())
    for requirement in sorted(importlib.metadata.requires("bottomheat") or ()):
        name = re.match(r"[A-Za-z0-9._-]+", requirement)
        with suppress(importlib.metadata.PackageNotFoundError):
            if name is not None:
                digest.update(f"{name[0]} {importlib.metadata.version(name[0])}\n".encode())
    return digest.hexdigest()[:32]


def _model() -> str:
    try:
        return Path("/proc/device-tree/model").read_text(encoding="ascii", errors="replace")
    except OSError:
        return ""


def _write(path: Path, content: bytes, mode: int = 0o644) -> None:
    """Replace a file whole: after a power cut there is the old one or the new one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    spare = path.with_name(f".{path.name}.new")
    flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW | os.O_CLOEXEC
    with open(os.open(spare, flags, mode), "wb") as file:
        os.fchmod(file.fileno(), mode)
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    os.replace(spare, path)
