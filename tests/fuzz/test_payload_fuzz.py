"""A bounded run of the fuzzers; ``python -m tests.fuzz 600`` runs the guided one for longer."""

import re
import subprocess
import sys
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fuzz.reading import SEEDS, read_everything

ROOT = Path(__file__).parents[2]


@settings(max_examples=150)
@given(st.binary(max_size=300), st.integers(0, 2**62))
def test_any_bytes_are_read_or_refused(payload: bytes, now_ms: int) -> None:
    read_everything(payload, now_ms)


@settings(max_examples=150)
@given(st.sampled_from(SEEDS), st.integers(0, 200), st.binary(min_size=1, max_size=3))
def test_sound_messages_with_a_few_bytes_changed_are_read_or_refused(seed: bytes, place: int, other: bytes) -> None:
    cut = place % (len(seed) + 1)
    read_everything(seed[:cut] + other + seed[cut + len(other) :])


def test_the_guided_fuzzer_finds_nothing_that_escapes_in_a_few_seconds() -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "tests.fuzz", "2"], check=False, cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    said = re.search(r"([\d,]+) payloads in", ran.stdout)
    assert said, ran.stderr[-2000:]
    assert int(said[1].replace(",", "")) > 100
