"""`python -m tests.truth`: the truth table."""

import argparse
import sys
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

from rich.progress import Progress

from tests.truth.past import Case
from tests.truth.table import text_of
from tests.truth.tally import Score
from tests.truth.watching import lived

_ROOM = 8
_DAYS = 30
_PAGE = Path(__file__).parents[2] / "docs" / "truth.md"


def counted(case: Case) -> Score:
    return lived(case)[0]


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.truth", description=__doc__)
    parser.add_argument("--months", type=int, default=200, help="enclosure-months to simulate (default 200)")
    parser.add_argument("--seed", type=int, default=1, help="first seed; each room of 8 enclosures takes the next")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--write", action="store_true", help="write the table to docs/truth.md too")
    parser.add_argument("--each", action="store_true", help="tell every miss, false alarm and wrong verdict")
    given = parser.parse_args()
    cases = [Case(given.seed + n, _ROOM, _DAYS) for n in range(-(-given.months // _ROOM))]
    began, total = time.monotonic(), Score()
    with Progress(disable=not sys.stderr.isatty()) as progress, ProcessPoolExecutor(given.processes) as workers:
        task = progress.add_task(f"{len(cases) * _ROOM} enclosure-months", total=len(cases))
        done = {}
        for future in as_completed(started := {workers.submit(counted, case): case for case in cases}):
            done[started[future].seed] = future.result()
            progress.advance(task)
            if progress.disable:
                print(f"{len(done)} of {len(cases)} rooms", file=sys.stderr)  # noqa: T201 - progress in a log
    for seed in sorted(done):
        total.add(done[seed].labelled(f"seed {seed}"))
    text = text_of(total, f"python -m tests.truth --months {given.months} --seed {given.seed}", each=given.each)
    print(text)  # noqa: T201 - what the command is for
    print(f"\n{time.monotonic() - began:.0f} s")  # noqa: T201 - as above
    if given.write:
        _PAGE.write_text(text_of(total, f"python -m tests.truth --months {given.months} --seed {given.seed}") + "\n")
    return 0 if total.holds else 1


if __name__ == "__main__":
    sys.exit(main())
