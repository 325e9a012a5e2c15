"""How often the diagnosis names the right cause first, on rehearsed faults of every kind.

    python tests/bench/diagnosis.py --count 330 --quiet 7 --seed 1 --keep /tmp/windows

Faults are drawn as ``rehearse --campaign`` draws them, on chambers other than the built-in one:
that model with other sizes and materials, and a second model that was written apart.  The diagnosis
sees what the log would hold, eight hours of before with it, and nothing of what was ordered.

A fault counts as left without a trace where no alarm was raised that its fault-free twin does not
raise, and the estimate stayed within half a kelvin of the twin's: these are counted apart, and the
share of all faults is printed too.

Windows without a fault are 12 h each, one every 6 h of long rehearsals: of a box left alone, of one
being tended, watered, filled, in sun, a cold snap or under a new setpoint.  What hands or weather
did may be named there as what it was, and a room that is too cold for the mat where heat was on all
the time and the bases stayed low; any other cause is a wrong answer.

With ``--keep`` the rehearsed windows stay in a folder: a run that was broken off goes on, and a
change of the finders is judged in a minute.  They are made anew where the code that they came from
has changed, unless ``--stale``.
"""

from __future__ import annotations

import argparse
import hashlib
import pickle
import sys
import warnings
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from bottomheat.campaign import draw
from bottomheat.model import Place
from bottomheat.rehearse_kinds import KINDS
from bottomheat.review.causes import Cause
from bottomheat.review.diagnose import Diagnosis, diagnose
from bottomheat.review.story import rivals
from diagnosis_world import OTHER_BOXES, Case, of_batch, too_cold, traceless, truth
from quiet_days import draw_quiet, of_plan

TESTS = Path(__file__).resolve().parent.parent
MAKE = ("controller/bottomheat/*.py", "controller/bottomheat/protect/*.py")
"""What a rehearsal runs through, besides the drivers' simulated parts and the tests' own worlds."""


class Said(NamedTuple):
    """What was right of a case, and what the diagnosis said."""

    label: str
    right: str
    told: str
    bare: bool
    box: str
    event: str
    marks: str
    tied: bool
    """Another cause could not be told from the first."""


def judged(case: Case) -> Said:
    """A case against what the diagnosis says of its window."""
    found = diagnose(case.window)
    first = found.first
    cause, place = truth(case)
    right, told = name(cause, place), name(first.cause, first.place)
    truly_cold = first.cause is Cause.COLD_ROOM and too_cold(case.window)
    if case.order is None and (first.cause.name in case.may_say or truly_cold):
        right = told
    label = "-" if case.order is None else case.order.label
    bare = case.order is not None and traceless(case)
    box = case.box.rpartition("/")[2]
    return Said(label, right, told, bare, box, case.event, marks(found), bool(rivals(found)))


def name(cause: Cause, place: Place | None) -> str:
    """A cause with the probe that it is about."""
    return cause.value if place is None else f"{cause.value}: {place.value}"


def marks(found: Diagnosis) -> str:
    """The first causes with their marks, for who looks into a wrong answer."""
    return "".join(
        f"\n      {each.weight:+.1f} {name(each.cause, each.place)}: "
        + "; ".join(f"{mark.weight:+.1f} {mark.text}" for mark in each.marks)
        for each in found.ranked[:3]
    )


def table(said: Sequence[Said]) -> Iterator[str]:
    """The confusion, one line for each cause that is right, the wrong answers by name."""
    rows: dict[str, Counter[str]] = {}
    for each in said:
        rows.setdefault(each.right, Counter())[each.told] += 1
    width = max((len(right) for right in rows), default=0)
    yield f"{'right':{width}}  cases  named first"
    for right, told in sorted(rows.items()):
        wrong = ", ".join(f"{n} x {what}" for what, n in told.most_common() if what != right)
        yield f"{right:{width}}  {told.total():5}  {told[right]:5}  {wrong}".rstrip()


def made_by() -> str:
    """What the code that makes windows is."""
    root = TESTS.parent
    files = [path for pattern in MAKE for path in sorted(root.glob(pattern))]
    files += sorted(root.glob("drivers/bottomheat_drivers/simulated*.py"))
    files += [TESTS / each for each in ("chambers.py", "diagnosis_world.py", "quiet_days.py")]
    return hashlib.sha256(b"\0".join(path.read_bytes() for path in files)).hexdigest()[:16]


def kept(make: Callable[[], list[Case]], path: Path | None, code: str | None) -> list[Case]:
    """Windows out of a file of our own where they are of this code; else made, and kept there."""
    if path is not None and path.exists():
        by, cases = pickle.loads(path.read_bytes())  # noqa: S301 - written below
        if code in (None, by):
            return list(cases)
    cases = make()
    if path is not None:
        part = path.with_suffix(".part")
        part.write_bytes(pickle.dumps((made_by() if code is None else code, cases)))
        part.replace(path)
    return cases


def jobs(asked: argparse.Namespace) -> Iterator[tuple[str, Callable[[], list[Case]]]]:
    """Each rehearsal with the name of its file."""
    for number, batch in enumerate(draw(asked.count, asked.seed, OTHER_BOXES)):
        yield f"faults-{asked.count}-{asked.seed}-{number}", partial(_listed, of_batch, batch)
    for number, plan in enumerate(draw_quiet(asked.quiet, asked.seed, OTHER_BOXES)):
        yield f"quiet-{asked.quiet}-{asked.seed}-{number}", partial(_listed, of_plan, plan)


def _listed(of: Callable[..., Iterator[Case]], what: object) -> list[Case]:
    return list(of(what))


def main() -> None:
    """Draw, rehearse, diagnose, print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0], allow_abbrev=False)
    parser.add_argument("--count", type=int, default=330, help="faults")
    parser.add_argument("--quiet", type=int, default=7, help="rehearsals of 21 windows each")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder for the windows")
    parser.add_argument("--stale", action="store_true", help="use those of other code too")
    parser.add_argument("--marks", action="store_true", help="the marks of each wrong answer")
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    if asked.keep is not None:
        asked.keep.mkdir(parents=True, exist_ok=True)
    code = None if asked.stale else made_by()
    done: list[Said] = []
    for stem, make in jobs(asked):
        path = None if asked.keep is None else asked.keep / f"{stem}.pickle"
        done += [judged(case) for case in kept(make, path, code)]
        print(f"{len(done)} windows", file=sys.stderr, flush=True)
    print("\n".join(report(done, with_marks=asked.marks)))


def report(done: Sequence[Said], *, with_marks: bool) -> Iterator[str]:
    """All that there is to print."""
    calm = [each for each in done if each.label == "-"]
    traced = [each for each in done if each.label != "-" and not each.bare]
    bare = [each for each in done if each.bare]
    yield from table([*traced, *calm])
    yield share("right cause first", traced, with_all="of the faults that left a trace")
    yield share("right cause first", [*traced, *bare], with_all="of all faults")
    tied = sum(each.tied for each in traced if each.told == each.right)
    yield f"in {tied} of those another cause could not be told from it, and the review says so"
    missing = set(KINDS) - {"tend"} - {e.label.partition(".")[0] for e in [*traced, *bare]}
    if missing:
        yield f"kinds that were not drawn: {', '.join(sorted(missing))}"
    silent = Counter(each.label for each in bare)
    kinds = ", ".join(f"{n} x {label}" for label, n in silent.most_common())
    none = sum(each.told == Cause.NONE.value for each in bare)
    yield f"left no trace: {len(bare)} ({kinds}); {none} of them called no fault"
    yield share("no fault", calm, with_all="of the windows without one")
    alone = [each for each in calm if each.event == "nothing"]
    yield share("no fault", alone, with_all="of those in which nothing was done")
    named = sum(each.told != Cause.NONE.value for each in calm if each.told == each.right)
    yield f"in {named} the answer was what hands or weather had done: no fault either"
    cold = sum(each.told == Cause.COLD_ROOM.value == each.right for each in calm)
    yield f"of these, in {cold} it was a cold room: a cold snap, or more than the mat could carry"
    events = Counter(part for each in calm for part in each.event.split("+"))
    yield f"what was done: {', '.join(f'{n} x {event}' for event, n in events.most_common())}"
    for each in (*traced, *bare, *calm):
        if each.told != each.right:
            trace = " (no trace)" if each.bare else ""
            what = each.label if each.label != "-" else f"no fault ({each.event})"
            yield f"  {what} on {each.box}{trace}: {each.told}, not {each.right}"
            if with_marks and not (each.bare and each.told == Cause.NONE.value):
                yield each.marks[1:]


def share(what: str, said: Sequence[Said], *, with_all: str) -> str:
    """How many of them were right."""
    right = sum(each.told == each.right for each in said)
    percent = f" ({100 * right / len(said):.1f} %)" if said else ""
    return f"{what}: {right} of {len(said)} {with_all}{percent}"


if __name__ == "__main__":
    main()
