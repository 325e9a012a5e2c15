"""The tests' hand inside the machine: does orders from the host, and is the boxes' physics.

Orders come by a virtio serial port, one JSON object a line, and are answered in the same way:
``{"shell": "...", "longest_s": 30}`` runs a command; ``{"python": "...", "given": ...}`` runs code
in this process, where ``world`` and ``line`` are at hand, and gives back ``answer``.
"""

import json
import os
import subprocess
import threading
import time
import traceback
from pathlib import Path

PORT = Path("/dev/virtio-ports/rig")
LEVELS = Path("/sys/kernel/debug/shed_gpio/levels")
CHANGES = Path("/sys/kernel/debug/shed_gpio/changes")
CONTROL = Path("/sys/devices/platform/shed_w1/control")


def now():
    return time.clock_gettime(time.CLOCK_MONOTONIC)


def line(gpio):
    """The level on a line, as a meter on the wire would show it."""
    return str(gpio) in LEVELS.read_text().split()


def changes(gpio):
    """Every change of a line since boot: monotonic s, level.  The kernel took the times."""
    rows = (row.split() for row in CHANGES.read_text().splitlines())
    return [[int(at) / 1e9, level == "1"] for at, which, level in rows if int(which) == gpio]


def control(text):
    """Tell the simulated 1-Wire bus something."""
    CONTROL.write_text(text)


class Box:
    """A mat of 45 W under a wet layer: mat, base and layer, in a room.

    The three figures for heat capacity and the four for conductance were fitted to the step
    response of the project's own chamber model over two hours (within 0.5 K).
    """

    def __init__(self, gpio, layer, room, mat, callus=None, start_c=18.0, room_c=12.0):
        self.gpio = gpio
        self.names = {"layer": layer, "room": room, "mat": mat}
        if callus:
            self.names["callus"] = callus
        self.celsius = {"mat": start_c, "base": start_c, "layer": start_c, "room": room_c}
        self.pinned = {}

    def advance(self, seconds, heating):
        c = self.celsius
        watts = 45.0 if heating else 0.0
        up = 5.1 * (c["mat"] - c["base"])
        further = 1.93 * (c["base"] - c["layer"])
        c["mat"] += seconds * (watts - up - 0.2 * (c["mat"] - c["room"])) / 890.0
        c["base"] += seconds * (up - further) / 3080.0
        c["layer"] += seconds * (further - 1.87 * (c["layer"] - c["room"])) / 9200.0

    def true_c(self, place):
        c = self.celsius
        return c["room"] + 0.75 * (c["layer"] - c["room"]) if place == "callus" else c[place]

    def show(self):
        for place, name in self.names.items():
            celsius = self.pinned.get(place, self.true_c(place))
            control(f"{name} {round(celsius * 1000)}")


class World:
    """All boxes, advanced once a second by what their relay lines do."""

    def __init__(self):
        self.boxes = {
            "north-bench": Box(17, *(f"28-00000000000{n}" for n in (1, 2, 3, 4))),
            "south-bench": Box(27, "28-000000000011", "28-000000000002", "28-000000000013"),
        }
        self.still = False
        threading.Thread(target=self.run, daemon=True).start()

    def run(self):
        last_s = now()
        while True:
            time.sleep(1.0)
            at_s = now()
            if not self.still:
                for box in self.boxes.values():
                    box.advance(min(at_s - last_s, 5.0), line(box.gpio))
                    box.show()
            last_s = at_s


def shell(command, longest_s):
    done = subprocess.run(
        ["bash", "-c", command],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        timeout=longest_s,
        check=False,
    )
    return {"status": done.returncode, "output": done.stdout.decode("utf-8", "replace")}


def do(order, space):
    if "shell" in order:
        return shell(order["shell"], order.get("longest_s", 60.0))
    space["given"] = order.get("given")
    space.pop("answer", None)
    exec(compile(order["python"], "<order>", "exec"), space)  # noqa: S102 (that is what it is for)
    return {"answer": space.get("answer")}


def main():
    while not PORT.exists():
        time.sleep(0.05)
    space = dict(globals())
    space["world"] = World()
    with open(os.open(PORT, os.O_RDWR), "r+b", buffering=0) as port:
        waiting = b""
        while True:
            part = port.read(65536)
            if not part:  # nobody at the other end
                time.sleep(0.1)
                continue
            *whole, waiting = (waiting + part).split(b"\n")
            for text in whole:
                order = json.loads(text)
                try:
                    result = do(order, space)
                except BaseException:  # noqa: BLE001 (the test is told)
                    result = {"error": traceback.format_exc()}
                rest = json.dumps({"number": order["number"], **result}).encode() + b"\n"
                while rest:
                    rest = rest[port.write(rest) :]


main()
