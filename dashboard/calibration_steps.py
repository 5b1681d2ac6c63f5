"""What to do for each kind of reference check, step by step, and what to beware of."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from service.climate.reference_points import LEAST_WAIT_MINUTES, QUANTITIES_OF, Method


@dataclass(frozen=True, slots=True)
class Steps:
    """A kind of reference check in words.

    Attributes
    ----------
    method : Method
    title : str
    about : str
        What it needs and what it gives.
    steps : tuple of str
    cautions : tuple of str
    """

    method: Method
    title: str
    about: str
    steps: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def wait(self) -> int:
        """The least time that the probe stands in it; 0 of a certificate. [min]."""
        return LEAST_WAIT_MINUTES.get(self.method, 0)


_LOW_VOLTAGE: Final = (
    "Only the probe and its low-voltage lead come near salt or water. Its board, plugs and supply stay dry and apart, "
    "and nothing that is connected to the mains stands within reach. Local rules come first."
)
_ALL: Final = (
    Steps(
        Method.SALT,
        "Over a saturated salt",
        "A salt, a little clean water, a small box that closes tightly, and an hour. Over the slush the air has a "
        "humidity that is known.",
        (
            "Wet the salt to a thick slush: crystals must be seen, and no water stand on them.",
            (
                "Put it, in a lid or cup, into a small box that closes tightly. The probe hangs above it and touches "
                "neither slush nor water."
            ),
            "Close the box and leave it where the temperature is steady: no sun, no lamp, no heater below.",
            (
                "Say here that it stands there, and wait. Half an hour is enough for a bare element; a cap or a sleeve "
                "takes an hour and more."
            ),
        ),
        (
            "Slush creeps and splashes, and a drop of it ruins a humidity element.",
            _LOW_VOLTAGE,
            (
                "Read the label of the salt: gloves and goggles where it says so, out of reach of animals and "
                "children, and away with it as the label and local rules have it."
            ),
        ),
    ),
    Steps(
        Method.ICE_POINT,
        "In melting ice",
        "Crushed ice of clean water in a vacuum flask: 0.0 °C, good to 0.1 °C when made with care. For a sealed probe "
        "on a cable.",
        (
            "Crush ice of clean water, distilled where you have it, and fill a vacuum flask with it.",
            "Add as much cold clean water as fills the gaps; the ice must reach the bottom, not float on water.",
            "Stir, wait some minutes, then hold the sealed probe in the middle, away from the wall and the bottom.",
            "Say here that it stands there. Stir now and then, and pour off water as the ice melts.",
        ),
        (
            "Only a probe that is sealed against water goes in; one that is not, in a thin bag pressed close to it.",
            _LOW_VOLTAGE,
        ),
    ),
    Steps(
        Method.SIDE_BY_SIDE,
        "Beside a reference",
        "An instrument that is known better than the probe, with its uncertainty from its certificate or data sheet.",
        (
            (
                "Put the probe and the instrument's element a hand's breadth apart, in still air that is steady: a "
                "closed box or a cupboard, shaded from lamps and sun."
            ),
            "Say here that it stands there, and wait until both have come to rest.",
            (
                "Write down what the instrument shows, and its uncertainty, at k = 2. A “±” without more stands for "
                "1.15 times as much."
            ),
        ),
        (
            _LOW_VOLTAGE,
            "Two places in a warm enclosure differ by degrees: do not compare there.",
        ),
    ),
    Steps(
        Method.CERTIFICATE,
        "From a certificate",
        "Someone else has checked the probe: take their figures as they are written.",
        ("Write one point at a time: what was true, what the probe read, and how well that is known, at k = 2.",),
        (),
    ),
)
STEPS: Final[Mapping[str, Steps]] = MappingProxyType({steps.method: steps for steps in _ALL})
"""Every kind of reference check by its key."""


def steps_for(quantity: str) -> tuple[Steps, ...]:
    """Return the kinds of check that a quantity can have."""
    return tuple(steps for steps in _ALL if quantity in QUANTITIES_OF[steps.method])
