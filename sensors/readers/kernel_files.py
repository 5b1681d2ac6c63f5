"""What a sweep over the kernel's files gives: values, or why there is none."""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

LARGEST_FILE: Final = 4096
"""The kernel's files are short; a longer one is none of them. [bytes]"""


class UnreadError(Exception):
    """A probe gave no value; the text says why, as the end of a sentence."""


@dataclass(frozen=True, slots=True)
class Sensed:
    """What one probe of this computer said, or why it said nothing.

    Attributes
    ----------
    device : str
        The kernel's own name of it: stable while it stays in its place.
    values : dict of str to float
        By field of the message: ``temperature`` [°C], ``humidity`` [%RH], ``illuminance`` [lx]. Empty where none came.
    why_not : tuple of str
        What could not be read, and why.
    """

    device: str
    values: dict[str, float]
    why_not: tuple[str, ...] = ()


def text_of(path: Path) -> str:
    """Return what a file of the kernel says.

    Raises
    ------
    UnreadError
        The device is gone, does not answer, or says something else than text.
    """
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE + 1)
    except OSError as exc:
        raise UnreadError(
            f"{path.name} cannot be read ({exc.strerror}): check the probe, its lead and its pull-up"
        ) from exc
    if len(content) > LARGEST_FILE:
        raise UnreadError(f"{path.name} is longer than any file of the kernel")
    try:
        return content.decode("ascii").strip()
    except UnicodeDecodeError as exc:
        raise UnreadError(f"{path.name} is no text") from exc


def number_of(path: Path) -> float:
    """Return the number that a file of the kernel holds.

    Raises
    ------
    UnreadError
        There is none in it.
    """
    text = text_of(path)
    try:
        value = float(text)
    except ValueError as exc:
        raise UnreadError(f"{path.name} says {text[:20]!r}, expected a number") from exc
    if value != value or value in {float("inf"), float("-inf")}:  # noqa: PLR0124 - NaN alone differs from itself
        raise UnreadError(f"{path.name} says {text[:20]!r}, expected a finite number")
    return value
