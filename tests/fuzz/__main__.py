"""Fuzz the payloads for so many seconds, by default 60, and say how many were tried."""

import os
import sys
import tempfile
import time

import atheris

with atheris.instrument_imports(include=["sensors"]):
    from tests.fuzz.reading import SEEDS, read_everything


def main() -> None:
    """Let the fuzzer run; a fault ends it, with the payload on standard error and in a file of its own."""
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    began, tried = time.monotonic(), 0

    def one(payload: bytes) -> None:
        nonlocal tried
        tried += 1
        read_everything(payload)
        if time.monotonic() - began > seconds:
            sys.stdout.write(f"{tried:,} payloads in {time.monotonic() - began:.0f} s: none escaped, none was lost\n")
            sys.stdout.flush()
            # An exception would be taken for a fault, and kept as one.
            os._exit(0)

    for seed in SEEDS:
        one(seed)
    atheris.Setup([sys.argv[0], "-max_len=4096", "-verbosity=0", f"-artifact_prefix={tempfile.gettempdir()}/"], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
