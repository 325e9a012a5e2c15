"""What the machine of the rig controls: its config, its proved wiring, what is asked of it."""

from __future__ import annotations

import tempfile
from pathlib import Path

from bottomheat.config_wiring import fingerprint
from bottomheat_drivers.config_yaml import load_config
from bottomheat_drivers.latch_file import begin_clear
from bottomheat_drivers.proof_file import ProofFile
from rig.machine import Machine, make_data_disk

CONFIG = (Path(__file__).parent / "guest/chamber.yaml").read_text()
CONFIG_FILE = "/etc/bottomheat/chamber.yaml"
PROOF = "wiring-proof.json"
DAEMON, KEEPER = "bottomheat.service", "bottomheat-keeper.service"


def proved_disk(path: Path, config: str) -> None:
    """Make a data disk as it is after `bottomheat prove` has passed for this wiring."""
    with tempfile.TemporaryDirectory() as scratch:
        tree = Path(scratch) / "tree"
        state = tree / "bottomheat"
        state.mkdir(parents=True)
        begin_clear(state)
        (state / PROOF).write_text(_proof(config))
        make_data_disk(path, tree)


def _proof(config: str) -> str:
    with tempfile.TemporaryDirectory() as scratch:
        written, proof = Path(scratch) / "chamber.yaml", Path(scratch) / PROOF
        written.write_text(config)
        ProofFile(proof).save(fingerprint(load_config(written)))
        return proof.read_text()


def rewire(machine: Machine, config: str) -> None:
    """Stop both units, change the wiring, prove it, and start them again."""
    machine.do(f"systemctl stop {DAEMON} {KEEPER}")
    machine.write(CONFIG_FILE, config)
    machine.write(f"/var/lib/bottomheat/{PROOF}", _proof(config))
    machine.do(f"systemctl start {KEEPER} {DAEMON}", 240)


def put_right(machine: Machine) -> None:
    """Probes well, boxes cool, config as it was, both units up."""
    machine.python(
        "control('bus ok')\n"
        "for box in world.boxes.values():\n"
        "    box.pinned = {}\n"
        "    if box.celsius['layer'] > 23.0:\n"
        "        box.celsius = {'mat': 20.0, 'base': 19.0, 'layer': 18.0, 'room': 12.0}\n"
        "    for name in box.names.values(): control(f'{name} ok')\n"
    )
    machine.write(CONFIG_FILE, CONFIG)
    machine.do(f"systemctl start {KEEPER} {DAEMON}", 240)


def heats(machine: Machine, within_s: float = 120.0) -> None:
    """Wait until the relay of the north bench is closed."""
    machine.wait(machine.line, within_s)


def alarms(machine: Machine) -> dict[str, str]:
    """The alarms that stand, by name."""
    answer = machine.ask("status")
    return {} if answer is None else {each["alarm"]: each["text"] for each in answer["alarms"]}


def latched(machine: Machine) -> bool:
    """Whether the service says that the north bench is cut out."""
    status = machine.ask("status")
    return status is not None and status["chambers"][0]["latched"] is not None


def trip(machine: Machine, celsius: float = 65.0) -> float:
    """Make the mat read above its limit until it has latched; returns the time to the open line."""
    since_s = float(
        machine.python("answer = now(); world.boxes['north-bench'].pinned['mat'] = given", celsius)
    )
    machine.wait(lambda: machine.python(BOTH_LATCHED), 90.0)
    at_s = machine.first(False, since_s)
    assert at_s is not None
    machine.python("world.boxes['north-bench'].pinned.clear()")
    return at_s - since_s


BOTH_LATCHED = """
answer = all(
    'cause' in Path(f'/var/lib/bottomheat/{name}-latch.json').read_text()
    for name in ('daemon', 'keeper')
)
"""


def tended(machine: Machine, note: str) -> None:
    """Make an entry as a grower does; it has to be written at once."""
    answer = machine.ask("tend", chamber="north-bench", doing="look", for_s=60, note=note)
    assert answer is not None
    assert answer["ok"], answer


def in_log(machine: Machine, note: str) -> bool:
    """Whether the log on the machine's disk has an entry."""
    return bool(machine.python(IN_LOG, note))


IN_LOG = """
import sqlite3
log = sqlite3.connect("file:/var/lib/bottomheat/log.sqlite?mode=ro", uri=True, timeout=5)
answer = log.execute("SELECT count(*) FROM tending WHERE note = ?", (given,)).fetchone()[0]
log.close()
"""
