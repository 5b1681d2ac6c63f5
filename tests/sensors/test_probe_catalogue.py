"""How well probes measure: datasheet figures into uncertainties."""

import math

import pytest

from sensors.catalogue import (
    CATALOGUE,
    Element,
    ProbeModel,
    element_for,
    expanded_uncertainty,
    model_named,
    repeat_uncertainty,
)
from sensors.quantities import QUANTITIES, UnknownWordError

ELEMENTS = [
    pytest.param(element, id=f"{model.key}-{element.quantity}")
    for model in CATALOGUE.values()
    for element in model.elements
]


def test_an_accuracy_without_coverage_is_rectangular() -> None:
    # Source: JCGM 100:2008, 4.3.7: u = a/sqrt(3), so U (k = 2) = 1.155 a.
    assert expanded_uncertainty(element_for("sht31", "relative_humidity")) == pytest.approx(2.309, abs=0.001)
    assert expanded_uncertainty(element_for("am2302", "air_temperature")) == pytest.approx(0.5 * 2 / math.sqrt(3))


def test_three_sigma_is_taken_at_its_word() -> None:
    # Source: DS18B20 datasheet, note 3: ±0.5 °C is 3 sigma, so u = 0.17 and U = 0.33 °C.
    assert expanded_uncertainty(element_for("ds18b20", "air_temperature")) == pytest.approx(0.333, abs=0.001)


def test_a_difference_of_one_probe_is_freed_of_most_of_its_error() -> None:
    element = element_for("sht31", "relative_humidity")
    assert repeat_uncertainty(element) == pytest.approx(expanded_uncertainty(element) / 3)


def test_a_noisy_element_keeps_its_noise_in_a_difference() -> None:
    # Source: AM2302 datasheet, repeatability 1 %RH: twice that is more than a third of U.
    assert repeat_uncertainty(element_for("am2302", "relative_humidity")) == 2.0


@pytest.mark.parametrize("element", ELEMENTS)
def test_figures_fit_the_quantity(element: Element) -> None:
    quantity = QUANTITIES[element.quantity]
    assert element.low < element.high
    assert quantity.low <= element.high
    assert element.accuracy >= 0
    assert 0 < element.resolution <= max(element.accuracy * 2, 1)
    assert element.response_s > 0
    assert 0 <= repeat_uncertainty(element) <= max(expanded_uncertainty(element), 2 * (element.repeatability or 0))
    assert element.source


@pytest.mark.parametrize("model", CATALOGUE.values(), ids=lambda model: model.key)
def test_a_probe_may_send_any_quantity(model: ProbeModel) -> None:
    assert {element_for(model.key, quantity).quantity for quantity in QUANTITIES} == set(QUANTITIES)


def test_a_thermometer_serves_whatever_it_touches() -> None:
    air, surface = (element_for("ds18b20", f"{what}_temperature") for what in ("air", "surface"))
    assert surface.artefacts == air.artefacts == (85.0,)


def test_an_unknown_model_is_answered_with_the_nearest() -> None:
    with pytest.raises(UnknownWordError, match="did you mean 'sht31'"):
        model_named("sth31")


def test_an_unknown_quantity_is_answered_with_the_nearest() -> None:
    with pytest.raises(UnknownWordError, match="did you mean 'relative_humidity'"):
        element_for("sht31", "relative_humidty")
