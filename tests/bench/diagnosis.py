"""How often the diagnosis names the right cause first, on rehearsed faults of every kind.

    python tests/bench/diagnosis.py --count 300 --seed 1 --jobs 2

Faults are drawn as ``rehearse --campaign`` draws them, on chambers other than the built-in one; the
diagnosis sees what the log would hold, eight hours of before with it, and nothing of what was
ordered.  A fault counts as left without a trace where nothing was raised after it and the estimate
stayed within half a kelvin of its setpoint: "no fault" is right then, and these are counted apart.
Fault-free windows are 12 h of the same boxes in the same weather.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from bottomheat.campaign import Batch, draw, share_out
from bottomheat.model import Place
from bottomheat.review.causes import Cause
from bottomheat.review.diagnose import diagnose
from diagnosis_world import OTHER_BOXES, Case, of_batch, traceless, truth

Said = tuple[str, str, str, bool, str]
"""Label, right cause, said cause, left without a trace, box."""


def judged(case: Case) -> Said:
    """What was right of a case, and what the diagnosis said."""
    first = diagnose(case.window).first
    cause, place = truth(case)
    label = "-" if case.order is None else case.order.label
    return (
        label,
        name(cause, place),
        name(first.cause, first.place),
        case.order is not None and traceless(case),
        case.box,
    )


def name(cause: Cause, place: Place | None) -> str:
    """A cause with the probe that it is about."""
    return cause.value if place is None else f"{cause.value}: {place.value}"


def of(batch: Batch) -> list[Said]:
    """All cases of one scene."""
    warnings.simplefilter("ignore")
    return [judged(case) for case in of_batch(batch)]


def table(said: list[Said]) -> Iterator[str]:
    """The confusion, one line for each cause that is right, the wrong answers by name."""
    rows: dict[str, Counter[str]] = {}
    for _, right, told, _, _ in said:
        rows.setdefault(right, Counter())[told] += 1
    width = max(len(right) for right in rows)
    yield f"{'right':{width}}  cases  named first"
    for right, told in sorted(rows.items()):
        count = sum(told.values())
        wrong = ", ".join(f"{n} x {what}" for what, n in told.most_common() if what != right)
        yield f"{right:{width}}  {count:5}  {told[right]:5}  {wrong}"


def main() -> None:
    """Draw, rehearse, diagnose, print."""
    parser = argparse.ArgumentParser(description=__doc__, allow_abbrev=False)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args()
    batches = draw(asked.count, asked.seed, OTHER_BOXES)
    done: list[Said] = []

    def tell(part: list[Said]) -> None:
        done.extend(part)
        print(f"{len(done)} windows", file=sys.stderr, flush=True)

    share_out(of, batches, asked.jobs, tell)
    quiet = [each for each in done if each[0] == "-"]
    traced = [each for each in done if each[0] != "-" and not each[3]]
    bare = [each for each in done if each[3]]
    right = sum(told == wanted for _, wanted, told, _, _ in traced)
    calm = sum(told == Cause.NONE.value for _, _, told, _, _ in quiet)
    print("\n".join(table([*traced, *quiet])))
    print(f"right cause first: {right} of {len(traced)} ({100 * right / len(traced):.1f} %)")
    print(f"no fault said of fault-free windows: {calm} of {len(quiet)}")
    silent = Counter(label for label, *_ in bare)
    said_none = sum(told == Cause.NONE.value for _, _, told, _, _ in bare)
    kinds = ", ".join(f"{n} x {label}" for label, n in silent.most_common())
    print(f"left no trace: {len(bare)} ({kinds}); {said_none} of them called no fault")
    for label, wanted, told, _, box in traced:
        if told != wanted:
            print(f"  {label} on {box}: {told}, not {wanted}")


if __name__ == "__main__":
    main()
