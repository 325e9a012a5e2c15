"""Installing into a scratch tree with the tools of the system, and on a machine that is played."""

from __future__ import annotations

import os
import re
import shutil
import stat
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from bottomheat.errors import DriverError, InputError, RefusedError
from bottomheat.installing import (
    ALERTS,
    COMMAND,
    CONFIG,
    FOLDERS,
    KEEPER,
    PIECES,
    PROGRAM,
    RULES,
    SERVICE,
    STAMP,
    STATE,
    TIMER,
    UNIT_FOLDER,
    Do,
    Found,
    to_install,
    to_uninstall,
)
from bottomheat_drivers import installer as module
from bottomheat_drivers.installer import Installer, closed_to_others, lgpio_trouble, refuse

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = (ROOT / "config" / "chamber.yaml").read_text(encoding="utf-8")
MISSING = [tool for tool in ("systemd-sysusers", "systemctl") if shutil.which(tool) is None]

needs_tools = pytest.mark.skipif(
    bool(MISSING) or os.geteuid() != 0,
    reason=f"takes root, and {', '.join(MISSING) or 'the tools of systemd, which are here'}",
)


def bottomheat(*words: object, answers: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "bottomheat", *map(str, words)],
        input=answers,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={**os.environ, "PYTHONPATH": f"{ROOT / 'controller'}:{ROOT / 'drivers'}"},
    )


def files(root: Path) -> dict[str, bytes | str]:
    """Every file and link below a folder, with its content or where it leads."""
    return {
        "/" + str(path.relative_to(root)): os.readlink(path)
        if path.is_symlink()
        else path.read_bytes()
        for path in sorted(root.rglob("*"))
        if path.is_symlink() or path.is_file()
    }


def ids(root: Path, file: str) -> dict[str, int]:
    lines = (root / "etc" / file).read_text().splitlines()
    return {line.split(":")[0]: int(line.split(":")[2]) for line in lines}


# -- into a tree, as when an image is made


@needs_tools
def test_a_tree_holds_all_that_boot_needs(tmp_path: Path) -> None:
    done = bottomheat("install", "--root", tmp_path, "--yes")
    assert done.returncode == 0, done.stderr
    there = files(tmp_path)
    for path, name in PIECES.items():
        assert there[path] == (ROOT / "systemd" / name).read_bytes()
        assert path in done.stdout, "it says what it does"
    assert there[CONFIG] == SAMPLE.encode()
    assert there[COMMAND] == f"{PROGRAM}/bin/bottomheat"
    wants = "/etc/systemd/system/multi-user.target.wants"
    assert there[f"{wants}/{SERVICE}"] == f"{UNIT_FOLDER}/{SERVICE}"
    assert there[f"{wants}/{KEEPER}"] == f"{UNIT_FOLDER}/{KEEPER}"
    assert f"/etc/systemd/system/timers.target.wants/{TIMER}" in there
    assert f"{wants}/{ALERTS}" not in there, "nobody is to be told yet"
    users, groups = ids(tmp_path, "passwd"), ids(tmp_path, "group")
    assert {"bottomheat", "gpio"} <= set(groups)
    for path, (mode, owner, group) in FOLDERS.items():
        status = (tmp_path / path.lstrip("/")).stat()
        assert stat.S_IMODE(status.st_mode) == mode
        assert status.st_uid == (0 if owner == "root" else users[owner])
        assert status.st_gid == groups[group]
    config = (tmp_path / CONFIG.lstrip("/")).stat()
    assert (config.st_uid, config.st_gid) == (0, groups["bottomheat"])
    assert stat.S_IMODE(config.st_mode) == 0o640
    state = list((tmp_path / STATE.lstrip("/")).iterdir())
    assert state == [], "latches begin clear in an empty folder only"


@needs_tools
def test_a_second_run_changes_nothing_and_says_so(tmp_path: Path) -> None:
    assert bottomheat("install", "--root", tmp_path, "--yes").returncode == 0
    before = files(tmp_path)
    done = bottomheat("install", "--root", tmp_path)
    assert done.returncode == 0, "nothing to do, so nothing to ask"
    assert "Nothing to do" in done.stdout
    assert files(tmp_path) == before


@needs_tools
def test_an_older_unit_is_replaced_and_what_is_the_growers_is_kept(tmp_path: Path) -> None:
    config = tmp_path / CONFIG.lstrip("/")
    config.parent.mkdir(parents=True)
    config.write_text("# mine\n")
    older = tmp_path / UNIT_FOLDER.lstrip("/") / SERVICE
    older.parent.mkdir(parents=True)
    older.write_text("[Service]\nExecStart=/bin/false\n")
    by_hand = tmp_path / "etc/systemd/system" / KEEPER
    by_hand.parent.mkdir(parents=True)
    by_hand.write_text("[Service]\nExecStart=/bin/false\n")
    own = tmp_path / "etc/systemd/system" / f"{KEEPER}.d" / "mine.conf"
    own.parent.mkdir()
    own.write_text("[Service]\nNice=-5\n")
    link = tmp_path / COMMAND.lstrip("/")
    link.parent.mkdir(parents=True)
    link.write_text("somebody else's\n")
    done = bottomheat("install", "--root", tmp_path, "--yes")
    assert done.returncode == 0, done.stderr
    assert config.read_text() == "# mine\n"
    assert older.read_bytes() == (ROOT / "systemd" / SERVICE).read_bytes()
    assert f"replace {UNIT_FOLDER}/{SERVICE}" in done.stdout
    assert not by_hand.exists(), "it would be taken instead of the new one"
    assert by_hand.with_name(f"{KEEPER}.before").exists()
    assert own.exists()
    assert link.read_text() == "somebody else's\n"
    assert "somebody else's" in done.stderr
    removed = bottomheat("uninstall", "--root", tmp_path, "--yes")
    assert removed.returncode == 0, removed.stderr
    assert own.exists()
    assert link.exists()
    assert f"sudo rm -r /etc/systemd/system/{KEEPER}.d" in removed.stdout


@needs_tools
def test_what_was_broken_off_is_finished(tmp_path: Path) -> None:
    first = Installer(tmp_path)
    for step in to_install(first.look())[:5]:
        first.do(step)
    assert to_install(Installer(tmp_path).look()) != ()
    assert bottomheat("install", "--root", tmp_path, "--yes").returncode == 0
    assert to_install(Installer(tmp_path).look()) == ()


@needs_tools
def test_uninstalling_leaves_config_log_and_latches_and_says_where(tmp_path: Path) -> None:
    assert bottomheat("install", "--root", tmp_path, "--yes").returncode == 0
    kept = tmp_path / STATE.lstrip("/")
    for name in ("log.sqlite", "daemon-latch.json", "keeper-latch.json"):
        (kept / name).write_text(name)
    done = bottomheat("uninstall", "--root", tmp_path, "--yes")
    assert done.returncode == 0, done.stderr
    left = [path for path in files(tmp_path) if not path.startswith("/etc/")]
    assert left == [
        f"{STATE}/{name}"
        for name in sorted(["log.sqlite", "daemon-latch.json", "keeper-latch.json"])
    ]
    assert [path for path in files(tmp_path) if path.startswith("/etc/systemd")] == []
    assert (tmp_path / CONFIG.lstrip("/")).read_text() == SAMPLE
    assert "bottomheat" in ids(tmp_path, "passwd"), "files of theirs are left"
    for folder in ("/etc/bottomheat", STATE):
        assert f"sudo rm -r {folder}" in done.stdout
    again = bottomheat("uninstall", "--root", tmp_path, "--yes")
    assert (again.returncode, "Nothing to do" in again.stdout) == (0, True)


@needs_tools
@pytest.mark.parametrize("answer", ["n\n", "\n"])
def test_it_asks_first(tmp_path: Path, answer: str) -> None:
    done = bottomheat("install", "--root", tmp_path, answers=answer)
    assert done.returncode == RefusedError.exit_code
    assert "To do:" in done.stdout
    assert files(tmp_path) == {}
    assert bottomheat("install", "--root", tmp_path, answers="y\n").returncode == 0
    refused = bottomheat("uninstall", "--root", tmp_path, answers=answer)
    assert refused.returncode == RefusedError.exit_code
    assert CONFIG in files(tmp_path)


def test_a_dry_run_only_says(tmp_path: Path) -> None:
    done = bottomheat("install", "--root", tmp_path, "--dry-run")
    assert done.returncode == 0, done.stderr
    assert f"write {UNIT_FOLDER}/{SERVICE}" in done.stdout
    assert files(tmp_path) == {}


def test_a_tree_that_is_not_there_is_a_sentence(tmp_path: Path) -> None:
    done = bottomheat("install", "--root", tmp_path / "nowhere", "--yes")
    assert done.returncode == InputError.exit_code
    assert "no folder" in done.stderr
    assert "Traceback" not in done.stderr


# -- what stands in the way


def test_without_root_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    with pytest.raises(RefusedError, match="sudo"):
        refuse(Machine(tmp_path).installer.obstacles())


def test_without_systemd_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    (sentence,) = [s for s in Machine(tmp_path).installer.obstacles() if "systemd" in s]
    assert "There is no systemd" in sentence


@pytest.mark.skipif("systemctl" in MISSING, reason="systemctl is not installed here")
@pytest.mark.parametrize(("version", "refused"), [(247, True), (252, False), (257, False)])
def test_an_old_systemd_is_refused(tmp_path: Path, version: int, refused: bool) -> None:
    machine = Machine(tmp_path, systemd=version)
    found = [s for s in machine.installer.obstacles() if "too old" in s]
    assert bool(found) is refused


def test_a_program_elsewhere_is_refused_on_this_machine() -> None:
    done = bottomheat("install", "--dry-run")
    assert done.returncode == 0
    assert f"this one lies in {sys.prefix}" in done.stdout


def test_a_program_that_a_strict_umask_has_closed_is_found(tmp_path: Path) -> None:
    folder, file = tmp_path / "lib", tmp_path / "lib" / "__init__.py"
    folder.mkdir()
    file.touch()
    for mode_folder, mode_file, closed in (
        (0o755, 0o644, None),
        (0o755, 0o600, file),
        (0o700, 0o644, folder),
    ):
        folder.chmod(mode_folder)
        file.chmod(mode_file)
        assert closed_to_others((folder, file)) == closed


@pytest.mark.parametrize(
    ("source", "told"),
    [
        ("", "empty one"),
        ("raise ImportError('no _lgpio')", "no _lgpio"),
        ("def gpiochip_open(chip): ...", None),
    ],
    ids=["as pip takes it for Python 3.13", "broken", "good"],
)
def test_an_lgpio_that_drives_nothing_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, source: str, told: str | None
) -> None:
    (tmp_path / "lgpio.py").write_text(source)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    trouble = lgpio_trouble()
    assert (trouble is None) == (told is None)
    if trouble is not None and told is not None:
        assert told in trouble
        assert "apt install python3-lgpio" in trouble


def test_lgpio_leaves_nothing_in_the_folder_it_is_asked_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    modules, here = tmp_path / "modules", tmp_path / "here"
    modules.mkdir()
    here.mkdir()
    # as the real one: a FIFO in the folder LG_WD, or else in the current one
    (modules / "lgpio.py").write_text(
        "import os\nos.mkfifo(os.environ.get('LG_WD', '.') + '/.lgd-nfy0')\n"
        "def gpiochip_open(chip): ...\n"
    )
    monkeypatch.setenv("PYTHONPATH", str(modules))
    monkeypatch.chdir(here)
    assert lgpio_trouble() is None
    assert list(here.iterdir()) == []


# -- on a machine that runs, which is played


class Machine:
    """A tree, and programs of the system that do what is needed of them, in it and in memory."""

    def __init__(self, root: Path, *, systemd: int = 252) -> None:
        self.root = root
        self.systemd = systemd
        self.running: set[str] = set()
        self.commands: list[tuple[str, ...]] = []
        self.failing: tuple[str, ...] = ()
        self.installer = Installer(root, live=True, run=self.run)

    def run(self, command: Sequence[str]) -> subprocess.CompletedProcess[str]:
        self.commands.append(tuple(command))
        output = ""
        if self.failing and tuple(command[: len(self.failing)]) == self.failing:
            return subprocess.CompletedProcess(command, 1, "", "it went wrong\n")
        match list(command):
            case ["systemctl", "--version"]:
                output = f"systemd {self.systemd} ({self.systemd}.1)\n"
            case ["systemctl", "show", *_, unit]:
                output = "active\n" if unit in self.running else "inactive\n"
            case ["systemctl", "enable" | "disable" as how, unit]:
                kind = "timers" if unit == TIMER else "multi-user"
                link = self.root / f"etc/systemd/system/{kind}.target.wants/{unit}"
                link.parent.mkdir(parents=True, exist_ok=True)
                link.unlink(missing_ok=True)
                if how == "enable":
                    link.symlink_to(f"{UNIT_FOLDER}/{unit}")
            case ["systemctl", "start" | "restart", unit]:
                self.running |= {unit, KEEPER} if unit == SERVICE else {unit}
            case ["systemctl", "stop", unit]:
                self.running -= {unit, KEEPER} if unit == SERVICE else {unit}
            case ["systemd-sysusers", *_]:
                etc = self.root / "etc"
                etc.mkdir(exist_ok=True)
                names = ("bottomheat", "bottomheat-alerts", "gpio")
                for file in ("passwd", "group"):
                    (etc / file).write_text("".join(f"{n}:x:{os.getuid()}:\n" for n in names))
        return subprocess.CompletedProcess(command, 0, output, "")

    def install(self) -> list[tuple[Do, str]]:
        return self.carry_out(to_install(self.look()))

    def uninstall(self) -> list[tuple[Do, str]]:
        return self.carry_out(to_uninstall(self.look()))

    def carry_out(self, steps: Sequence[module.Step]) -> list[tuple[Do, str]]:
        self.commands.clear()
        for step in steps:
            self.installer.do(step)
        return [(step.do, step.subject) for step in steps]

    def look(self) -> Found:
        return self.installer.look()

    def told(self, *verbs: str) -> list[tuple[str, ...]]:
        return [c for c in self.commands if c[0] == "systemctl" and c[1] in verbs]


as_root = pytest.mark.skipif(os.geteuid() != 0, reason="giving files to a user takes root")


@as_root
def test_a_first_installation_starts_nothing_that_heats(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    machine.install()
    assert machine.told("start", "restart") == [("systemctl", "start", TIMER)]
    assert to_install(machine.look()) == ()


@as_root
def test_an_update_restarts_what_runs_and_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine = Machine(tmp_path)
    machine.install()
    machine.running |= {SERVICE, KEEPER}
    monkeypatch.setattr(module, "fingerprint", lambda: "another program")
    machine.install()
    assert machine.told("start", "restart") == [("systemctl", "restart", SERVICE)]
    assert to_install(machine.look()) == ()


@as_root
def test_a_restart_that_fails_is_told_and_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine = Machine(tmp_path)
    machine.install()
    machine.running |= {SERVICE, KEEPER}
    monkeypatch.setattr(module, "fingerprint", lambda: "another program")
    machine.failing = ("systemctl", "restart")
    with pytest.raises(DriverError, match=r"it went wrong; journalctl -u bottomheat\.service"):
        machine.install()
    machine.failing = ()
    assert (Do.RESTART, SERVICE) in machine.install()


@as_root
def test_installing_where_a_config_lies_starts_the_service(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    config = tmp_path / CONFIG.lstrip("/")
    config.parent.mkdir(parents=True)
    config.write_text(SAMPLE + 'alerts: {command: ["/bin/true"], morning: "07:30"}\n')
    machine.install()
    assert machine.told("start", "restart") == [
        ("systemctl", "start", SERVICE),
        ("systemctl", "start", ALERTS),
        ("systemctl", "start", TIMER),
    ]


@as_root
def test_uninstalling_stops_before_it_opens_the_lines_and_removes(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    machine.install()
    machine.running |= {SERVICE, KEEPER, ALERTS}
    (tmp_path / STATE.lstrip("/") / "keeper-wiring.json").write_text("{}")
    (tmp_path / "dev").mkdir()
    (tmp_path / "dev" / "gpiochip0").touch()
    machine.uninstall()
    verbs = [" ".join(c[:2]) if c[0] == "systemctl" else c[-2] for c in machine.commands]
    first_open = verbs.index("open-lines")
    assert all(verb == "systemctl stop" for verb in verbs[:first_open])
    assert [unit for _, _, unit in machine.told("stop")] == [TIMER, ALERTS, SERVICE, KEEPER]
    assert not machine.running
    assert STAMP not in files(tmp_path)


@as_root
@pytest.mark.parametrize(
    ("rule", "ours"),
    [
        ('SUBSYSTEM=="gpio", GROUP="gpio", MODE="0660"', False),
        ('SUBSYSTEM=="gpio*", PROGRAM="/bin/sh", GROUP="gpio"', False),
        ('KERNEL=="gpiochip*", GROUP="gpio", MODE="0660"', False),
        ('SUBSYSTEM=="*gpiomem*", GROUP="gpio", MODE="0660"', True),
        ('# SUBSYSTEM=="gpio", GROUP="gpio"', True),
        ('SUBSYSTEM=="i2c-dev", GROUP="i2c", MODE="0660"', True),
    ],
)
def test_the_rule_for_gpio_is_left_to_the_system_where_it_has_one(
    tmp_path: Path, rule: str, ours: bool
) -> None:
    folder = tmp_path / "usr/lib/udev/rules.d"
    folder.mkdir(parents=True)
    (folder / "99-com.rules").write_text(f"{rule}\n")
    machine = Machine(tmp_path)
    machine.install()
    assert (RULES in files(tmp_path)) is ours


def test_a_full_disk_is_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_path: object, _content: object, **_how: object) -> None:
        raise OSError(28, "No space left on device", "/usr/local/lib/x")

    monkeypatch.setattr(module, "_write", full)
    with pytest.raises(DriverError, match=r"/usr/local/lib/x: No space left on device; put that"):
        Machine(tmp_path).install()


def test_the_mark_of_the_program_follows_its_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = module.fingerprint()
    assert module.fingerprint() == before
    units = tmp_path / "systemd"
    shutil.copytree(ROOT / "systemd", units)
    (units / SERVICE).write_text("[Service]\n")
    monkeypatch.setattr(module, "source_folders", lambda: (units, ROOT / "config"))
    assert module.fingerprint() != before


# -- README


def readme_lines() -> list[str]:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    section = text.split("## On a Raspberry Pi\n", 1)[1].split("\n## ", 1)[0]
    block = re.search(r"(?:^    .+\n)+", section, re.M)
    assert block is not None
    return [line.strip() for line in block[0].splitlines()]


def test_readme_installs_with_the_lock_and_the_systems_lgpio() -> None:
    system, venv, lock, program, install = readme_lines()
    assert "python3-lgpio" in system
    assert "--system-site-packages" in venv
    assert "--require-hashes -r requirements.lock" in lock
    assert "--no-deps ." in program
    assert install == f"sudo {PROGRAM}/bin/bottomheat install"
    assert not re.search(r"^lgpio", (ROOT / "requirements.lock").read_text(), re.M)


@needs_tools
@pytest.mark.slow
@pytest.mark.process
def test_the_lines_of_readme_install_it(tmp_path: Path) -> None:
    """The very lines, but for apt and with the program in a scratch tree."""
    _, *lines, install = readme_lines()
    for line in (*lines, f"{install} --yes --root {tmp_path}"):
        command = line.removeprefix("sudo ").replace(PROGRAM, f"{tmp_path}{PROGRAM}")
        done = subprocess.run(
            ["/bin/bash", "-c", command],
            cwd=ROOT,
            env={k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "VIRTUAL_ENV")},
            capture_output=True,
            text=True,
            timeout=900,
            check=False,
        )
        assert done.returncode == 0, f"{command}\n{done.stdout}{done.stderr}"
    assert (tmp_path / UNIT_FOLDER.lstrip("/") / SERVICE).exists(), "they are in the wheel"
    version = subprocess.run(
        [f"{tmp_path}{PROGRAM}/bin/bottomheat", "--version"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    assert version.stdout.startswith("bottomheat")
