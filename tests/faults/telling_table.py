"""The counts of telling under faults: ``python -m tests.faults.telling_table --runs 1000``.

Exit status: 0 nothing was lost, 1 something was.
"""

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

from tests.faults.telling_runs import Outcome, runs

PARTS = ("changes", "lost", "twice", "resent", "kills")


def table(found: dict[str, list[Outcome]]) -> str:
    """Return the counts as a table of the document."""
    rows = [
        "| fault | runs | changes to tell | lost | told by two messages | messages that came again | workers killed |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    everything = [outcome for outcomes in found.values() for outcome in outcomes]
    for name, outcomes in [*found.items(), ("all", everything)]:
        sums = [sum(getattr(one, part) for one in outcomes) for part in PARTS]
        rows.append(f"| {name} | {len(outcomes):,} | {' | '.join(f'{number:,}' for number in sums)} |")
    return "\n".join(rows)


def main() -> int:
    """Do the runs that are asked for, and print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.telling_table", description=__doc__)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=0, help="of the first run")
    asked = parser.parse_args()
    openssl = shutil.which("openssl")
    if openssl is None:
        sys.stderr.write("telling_table: openssl is not installed\n")
        return 2
    with tempfile.TemporaryDirectory(prefix="wardian-telling-") as folder:
        found = runs(asked.runs, Path(folder), openssl, asked.seed)
    sys.stdout.write(f"{table(found)}\n")
    bad = sum(one.lost for outcomes in found.values() for one in outcomes)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
