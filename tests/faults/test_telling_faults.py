"""A share of the runs that `tests.faults.telling_table` does a thousand of: nothing is lost under any fault."""

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.faults.telling_runs import FAULTS, runs

pytestmark = [pytest.mark.faults, pytest.mark.timeout(180)]


def test_no_change_is_lost_and_none_is_told_twice_unless_a_worker_was_killed(
    tmp_path: Path, program: Callable[[str], str]
) -> None:
    found = runs(len(FAULTS), tmp_path, program("openssl"), first_seed=7 * len(FAULTS))
    assert {name: len(outcomes) for name, outcomes in found.items()} == dict.fromkeys(FAULTS, 1)
    for name, outcomes in found.items():
        for outcome in outcomes:
            assert outcome.lost == 0, name
            assert outcome.twice == 0 or outcome.kills, name
