"""A machine of the rig: QEMU, its disks, and the line to the agent inside it.

Emulated in software throughout.  Times inside the machine are the machine's own, taken by its
kernel.  Its processor runs at a fixed speed by that clock, and where it has nothing to do the clock
goes on to its next tick at once, so that a minute of a quiet machine takes some seconds.  The
host's clock only bounds how long a test waits.
"""

from __future__ import annotations

import calendar
import json
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from rig.image import Image

BOOT_WITHIN_S = 600.0
"""Time for a boot, of the host; some 20 s where nothing else runs."""

SHIFT = 1
"""One instruction takes 2**SHIFT ns of the machine's time (judgement: somewhat slower than a Pi 3).
So what is measured inside does not depend on how busy the host is.

The kernel keeps its tick while idle (``nohz=off``), because the clock of an idle machine goes on to
its next timer at once: a disk that answers in a millisecond of the host could else be one
that takes a second.  With a tick every 4 ms it takes some of them."""

SLOWEST = 40.0
"""How many times slower than the machine's own time it may run before a test gives up."""

NORTH, SOUTH = 17, 27
"""GPIO lines of the two boxes' relays."""


class Machine:
    """One boot of the image: a fresh root disk every time, the data disk as it was left.

    Args:
        image: what to boot.
        folder: for the data disk, sockets and the console's text.
        data: the data disk; made where missing.
        watchdog: fit a hardware watchdog that resets the machine, which then stands still.
        data_options: how QEMU opens the data disk, instead of plainly.
    """

    def __init__(
        self,
        image: Image,
        folder: Path,
        *,
        data: Path,
        watchdog: bool = False,
        data_options: Sequence[str] = (),
        clock: str = "utc",
        kernel_options: str = "",
    ) -> None:
        self.folder = folder
        self.console = folder / "console.txt"
        self._number = 0
        self._waiting = b""
        self._sockets = tempfile.mkdtemp(prefix="rig-")  # short: a socket's path is 107 bytes
        port, monitor = f"{self._sockets}/port", f"{self._sockets}/monitor"
        if not data.exists():
            make_data_disk(data)
        command = [
            "nice", "-n", "5",
            "qemu-system-x86_64", "-M", "q35,hpet=off", "-nodefaults", "-no-user-config",
            "-accel", "tcg,thread=single,tb-size=256", "-cpu", "max,la57=off",
            "-icount", f"shift={SHIFT},sleep=off", "-m", "768", "-smp", "1", "-display", "none",
            "-nic", "none", "-monitor", "none", "-no-reboot", "-rtc", f"base={clock},clock=vm",
            "-kernel", str(image.kernel), "-initrd", str(image.initrd),
            "-append",
            "root=LABEL=root rw console=ttyS0 panic=0 net.ifnames=0 loglevel=4 mitigations=off "
            f"nohz=off nokaslr audit=0 apparmor=0 systemd.show_status=0 {kernel_options}",
            "-serial", f"file:{self.console}",
            "-drive", f"file={image.disk},if=virtio,format=raw,snapshot=on",
            *(data_options or ("-drive", f"file={data},if=virtio,format=raw,cache=unsafe")),
            "-device", "virtio-rng-pci",
            "-device", "virtio-serial-pci",
            "-chardev", f"socket,id=rig,path={port},server=on,wait=off",
            "-device", "virtserialport,chardev=rig,name=rig",
            "-qmp", f"unix:{monitor},server=on,wait=off",
        ]  # fmt: skip
        if watchdog:
            command += ["-device", "i6300esb", "-action", "watchdog=reset,shutdown=pause"]
        with (folder / "qemu.txt").open("ab") as output:
            self.process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=output, stderr=subprocess.STDOUT
            )
        try:
            self._port = self._connect(port)
            self.monitor = Monitor(self._connect(monitor))
            began = time.monotonic()
            self.python("answer = now()", longest_s=BOOT_WITHIN_S)
            self.boot_took_s = time.monotonic() - began
        except BaseException:
            self.power_cut()
            raise

    def _connect(self, path: str) -> socket.socket:
        end = time.monotonic() + 30.0
        while True:
            port = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            try:
                port.connect(path)
            except OSError:
                port.close()
                if self.process.poll() is not None or time.monotonic() > end:
                    raise RuntimeError(
                        f"QEMU did not start: {(self.folder / 'qemu.txt').read_text()}"
                    ) from None
                time.sleep(0.05)
            else:
                return port

    # -- orders -------------------------------------------------------------------------------

    def _order(self, wait_s: float, **order: Any) -> dict[str, Any]:
        self._number += 1
        self._port.settimeout(10.0)
        self._port.sendall(json.dumps({"number": self._number, **order}).encode() + b"\n")
        end = time.monotonic() + wait_s
        while True:
            while b"\n" not in self._waiting:
                self._port.settimeout(max(end - time.monotonic(), 0.01))
                try:
                    part = self._port.recv(65536)
                except TimeoutError:
                    raise TimeoutError(
                        f"no answer to {order} in {wait_s} s; console:\n{self.last_lines()}"
                    ) from None
                if not part:
                    raise RuntimeError(f"the machine is off; console:\n{self.last_lines()}")
                self._waiting += part
            text, self._waiting = self._waiting.split(b"\n", 1)
            answer: dict[str, Any] = json.loads(text)
            if answer["number"] == self._number:  # not that to an order given up
                break
        if "error" in answer:
            raise AssertionError(f"{order}\n{answer['error']}")
        return answer

    def python(self, code: str, given: Any = None, longest_s: float = 60.0) -> Any:
        """Run code in the agent; returns what it left in ``answer``."""
        return self._order(longest_s, python=code, given=given)["answer"]

    def run(self, command: str, longest_s: float = 120.0) -> tuple[int, str]:
        """Run a command in a shell, as root; returns its exit status and what it said."""
        answer = self._order(longest_s + 30.0, shell=command, longest_s=longest_s)
        return answer["status"], answer["output"]

    def do(self, command: str, longest_s: float = 120.0) -> str:
        """Run a command that has to succeed; returns what it said."""
        status, output = self.run(command, longest_s)
        assert status == 0, f"{command}\nended with {status}:\n{output}"
        return output

    def write(self, path: str, text: str) -> None:
        """Replace a file as an editor would: whole, in one step; owner and mode stay."""
        self.python(
            "p = Path(given[0]); f = p.with_name(p.name + '.new'); f.write_text(given[1])\n"
            "if p.exists():\n"
            "    s = p.stat(); os.chown(f, s.st_uid, s.st_gid); os.chmod(f, s.st_mode)\n"
            "f.replace(p)",
            [path, text],
        )

    def power_cut(self) -> None:
        """Take the machine's power away, with whatever it was doing; idempotent."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGKILL)
        self.process.wait(30)
        if hasattr(self, "_port"):
            self._port.close()
        if hasattr(self, "monitor"):
            self.monitor.close()
        shutil.rmtree(self._sockets, ignore_errors=True)

    def last_lines(self) -> str:
        """The end of what the machine said on its console."""
        try:
            return self.console.read_text(errors="replace")[-2000:]
        except OSError:
            return ""

    # -- what tests look at -------------------------------------------------------------------

    def now_s(self) -> float:
        """The machine's monotonic clock."""
        return float(self.python("answer = now()"))

    def line(self, gpio: int = NORTH) -> bool:
        """The level of a relay line, from outside of whoever drives it."""
        return bool(self.python(f"answer = line({gpio})"))

    def first(self, level: bool, since_s: float, gpio: int = NORTH) -> float | None:
        """When the line first was so at or after a time of the machine; None: never yet."""
        before = False
        for at_s, after in self.python(f"answer = changes({gpio})"):
            if at_s > since_s:
                if before is level:
                    return since_s
                if after is level:
                    return float(at_s)
            before = after
        return since_s if before is level else None

    def wait(self, condition: Callable[[], Any], longest_s: float, every_s: float = 0.5) -> Any:
        """Poll until something is so; returns it.  All times are the machine's."""
        end_s, end = self.now_s() + longest_s, time.monotonic() + 120.0 + SLOWEST * longest_s
        while True:
            found = condition()
            if found:
                return found
            assert self.now_s() < end_s, f"not so within {longest_s} s\n{self.journal()}"
            assert time.monotonic() < end, "this machine is too busy to emulate another"
            self.python("time.sleep(given)", every_s)

    def journal(self, lines: int = 40) -> str:
        """The end of the journal."""
        return self.run(f"journalctl -b --no-pager -o short-monotonic -n {lines}")[1]

    def ask(self, what: str, **more: Any) -> Any:
        """Ask the daemon by its control socket; None where it does not answer."""
        return self.python(ASK, {"do": what, **more})

    def pid(self, unit: str) -> int:
        """The main process of a unit; 0 while it has none."""
        return int(self.do(f"systemctl show -P MainPID {unit}"))


class Monitor:
    """QEMU's own line: what the machine is and does, whatever runs in it."""

    def __init__(self, line: socket.socket) -> None:
        self._line = line
        self._waiting = b""
        self._events: list[dict[str, Any]] = []
        line.settimeout(60.0)
        self._receive()  # its greeting
        self.do("qmp_capabilities")

    def _receive(self) -> dict[str, Any]:
        while b"\n" not in self._waiting:
            part = self._line.recv(65536)
            if not part:
                raise RuntimeError("QEMU has closed its monitor")
            self._waiting += part
        text, self._waiting = self._waiting.split(b"\n", 1)
        message: dict[str, Any] = json.loads(text)
        if "event" in message:
            self._events.append(message)
        return message

    def do(self, command: str, **arguments: Any) -> Any:
        """Give a command; returns its answer."""
        asked = {"execute": command, "arguments": arguments}
        self._line.sendall(json.dumps(asked).encode() + b"\n")
        while "return" not in (message := self._receive()):
            if "error" in message:
                raise RuntimeError(f"{asked}: {message['error']}")
        return message["return"]

    def happened(self, *names: str, longest_s: float) -> list[str]:
        """Wait for the last of these events, by the host's clock; returns all there were."""
        self._line.settimeout(longest_s)
        while not set(names) <= {event["event"] for event in self._events}:
            self._receive()
        self._line.settimeout(60.0)
        return [event["event"] for event in self._events]

    def rtc_s(self) -> int:
        """The machine's own clock chip, s since 1970, which goes by the machine's time."""
        at = self.do("qom-get", path="/machine", property="rtc-time")
        names = ("tm_year", "tm_mon", "tm_mday", "tm_hour", "tm_min", "tm_sec")
        year, month, *rest = (at[name] for name in names)
        return calendar.timegm((year + 1900, month + 1, *rest))

    def close(self) -> None:
        """Hang up."""
        self._line.close()


ASK = """
import socket
def _ask(given):
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as s:
        s.settimeout(10)
        try:
            s.connect("/run/bottomheat/control.sock")
            s.sendall(json.dumps(given).encode() + b"\\n")
            got = b""
            while not got.endswith(b"\\n"):
                part = s.recv(65536)
                if not part:
                    break
                got += part
            return json.loads(got)
        except (OSError, ValueError):
            return None
answer = _ask(given)
"""


def make_data_disk(path: Path, tree: Path | None = None, megabytes: int = 64) -> None:
    """Make a disk for /var/lib/bottomheat, which lies in its folder ``bottomheat``."""
    with tempfile.TemporaryDirectory() as empty:
        if tree is None:
            tree = Path(empty)
            (tree / "bottomheat").mkdir()
        with path.open("wb") as file:
            file.truncate(megabytes * 2**20)
        subprocess.run(
            ["mke2fs", "-q", "-t", "ext4", "-L", "data", "-d", tree, path],
            check=True,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
        )
