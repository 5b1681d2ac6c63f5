"""A day of readings as bytes: it comes back bit for bit, or is refused."""

import base64
import struct
from itertools import accumulate

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from service.store.blocks import DAY_MS, BytesDamagedError, decode_day, encode_day

DAY = 20_000
START = DAY * DAY_MS


def there_and_back(day: int, at: np.ndarray, value: np.ndarray, flags: np.ndarray) -> bytes:
    body = encode_day(day, at, value, flags)
    for given_array, found in zip((at, value, flags), decode_day(body, day, len(at)), strict=True):
        assert found.dtype == given_array.dtype
        assert found.tobytes() == given_array.tobytes()
    return body


def a_day(value: list[float], every_ms: int = 30_000) -> tuple[int, np.ndarray, np.ndarray, np.ndarray]:
    return DAY, START + every_ms * np.arange(len(value)), np.array(value, float), np.ones(len(value), np.int16)


@given(
    day=st.integers(-(2**31), 2**31 - 1),
    times=st.sets(st.integers(0, DAY_MS - 1), min_size=1, max_size=60),
    data=st.data(),
)
@settings(deadline=None, max_examples=200)
def test_any_values_at_any_times_come_back_bit_for_bit(day: int, times: set[int], data: st.DataObject) -> None:
    """NaN and infinities too, though none is ever stored; negative zeros and subnormal numbers keep their bits."""
    at = day * DAY_MS + np.array(sorted(times))
    value = data.draw(arrays.arrays(np.float64, len(at), elements=st.floats()))
    flags = data.draw(arrays.arrays(np.int16, len(at)))
    there_and_back(day, at, value, flags)


@given(
    digits=st.integers(0, 9),
    changes=st.lists(st.tuples(st.integers(1, 90_000), st.integers(-300, 300)), min_size=1, max_size=400),
    jitter=st.integers(0, 400),
)
@settings(deadline=None, max_examples=150)
def test_what_probes_send_comes_back_bit_for_bit(digits: int, changes: list[tuple[int, int]], jitter: int) -> None:
    """Decimal fractions at times that are nearly even, with some readings missing."""
    steps = list(accumulate(step for step, _ in changes))
    at = START + np.unique(np.array(steps) * 200 + np.arange(len(steps)) * 7 % (jitter + 1))
    at = at[at < START + DAY_MS]
    whole = np.array(list(accumulate(change for _, change in changes)))[: len(at)]
    if len(at):
        there_and_back(DAY, at, whole[: len(at)] / 10**digits, np.ones(len(at), np.int16))


@pytest.mark.parametrize(
    "value",
    [
        pytest.param([20.01, 20.02, -0.0, 20.03], id="a negative zero among decimals"),
        pytest.param([5e-324, 2.2250738585072014e-308, 1e-310], id="subnormal numbers"),
        pytest.param([1.7976931348623157e308, -1.7976931348623157e308], id="the greatest numbers"),
        pytest.param([0.1 + 0.2, 0.3], id="neighbours of a decimal"),
        pytest.param([(f / 10 - 32) * 5 / 9 for f in range(680, 720)] * 4, id="converted from degF"),
        pytest.param([9007199254740993.0, 1.0], id="beyond what is exact"),
        pytest.param([7.0], id="one reading"),
    ],
)
def test_values_that_are_no_plain_decimals_come_back_bit_for_bit(value: list[float]) -> None:
    there_and_back(*a_day(value))


@pytest.mark.parametrize("spread", [0.02, 0.3, 3.0, 40.0, 9e6])
def test_noise_of_any_width_comes_back_and_costs_little_more_than_it_holds(spread: float) -> None:
    chance = np.random.default_rng(3)
    at = START + 30_000 * np.arange(2880) + np.rint(np.clip(chance.normal(0, 25, 2880), -99, 99)).astype(np.int64)
    at -= min(0, int(at[0]) - START)
    steps = np.rint(chance.normal(0, spread / 0.01, 2880))
    body = there_and_back(DAY, at, steps / 100 + 0.0, np.ones(2880, np.int16))
    # Of normal noise with a standard deviation of s steps: log2(s sqrt(2 pi e)) bits (Shannon 1948).
    bits = sum(np.log2(deviation * np.sqrt(2 * np.pi * np.e)) for deviation in (25, np.std(steps)))
    assert len(body) < 1.06 * bits / 8 * 2880 + 60


@pytest.mark.parametrize("step", [0.0625, 0.5, 2.0])
def test_an_element_that_rounds_coarsely_takes_no_more_than_its_steps(step: float) -> None:
    steps = np.random.default_rng(4).integers(-1, 2, 2880)
    coarse = there_and_back(*a_day((step * (300 + steps)).tolist()))
    assert len(coarse) <= len(there_and_back(*a_day((300.0 + steps).tolist()))) + 1


@pytest.mark.parametrize(
    ("body", "at", "value", "flags"),
    [
        pytest.param(
            b"0VuUE{UDjO0RZ>_0000obpQYX0Rqqm00IF300{sI0x~Ny0VpT|00IdBDgjvtTp<7z3xHtUg;Bg%!c_nz",
            START + 30_000 * np.arange(40) + np.arange(40) * 7 % 5,
            np.round(20 + np.arange(40) % 7 / 4, 2),
            np.arange(40) // 20,
            id="on a grid, decimals, two flags",
        ),
        pytest.param(
            b"0VuUE{UC|00RSWdv0niIJ9Pj600IC5000011OQc4)#U&`KLG#&0s{e10RjgA0f}@7vVZ^_0ugpu6Tk}",
            START + np.cumsum(np.where(np.arange(40) % 9, 30_011, 90_033)),
            np.arange(40) % 3 / 3,
            np.ones(40),
            id="a drifting clock, a table of values",
        ),
    ],
)
def test_a_day_of_the_first_layout_is_still_read(
    body: bytes, at: np.ndarray, value: np.ndarray, flags: np.ndarray
) -> None:
    """Written by the version that had it."""
    found = decode_day(base64.b85decode(body), DAY, 40)
    assert [array.tolist() for array in found] == [at.tolist(), value.tolist(), flags.tolist()]


def test_a_drifting_clock_and_missing_readings_come_back() -> None:
    at = START + np.cumsum(np.where(np.arange(2000) % 97, 30_011, 180_066))
    at = at[at < START + DAY_MS]
    there_and_back(DAY, at, np.round(20 + np.sin(at / 1e7), 2), (np.arange(len(at)) // 50).astype(np.int16))


def test_a_plain_day_is_small() -> None:
    body = there_and_back(*a_day([round(22 + 3 * np.sin(n / 400), 2) for n in range(2880)]))
    assert len(body) < 2880


@given(data=st.data())
@settings(deadline=None, max_examples=100)
def test_damaged_bytes_are_refused_or_give_a_day_of_the_same_length(data: st.DataObject) -> None:
    """The checksum beside the bytes finds every change; unpacking alone must never fail in another way."""
    day, at, value, flags = a_day([round(22 + n % 7 / 10, 1) for n in range(300)])
    body = bytearray(encode_day(day, at, value, flags))
    for _ in range(data.draw(st.integers(1, 3))):
        body[data.draw(st.integers(0, len(body) - 1))] ^= 1 << data.draw(st.integers(0, 7))
    body = body[: data.draw(st.integers(0, len(body)))]
    try:
        found = decode_day(bytes(body), day, len(at))
    except BytesDamagedError:
        return
    assert [len(array) for array in found] == [len(at)] * 3


def test_another_layout_is_refused_by_name() -> None:
    day, at, value, flags = a_day([20.0, 21.0])
    body = encode_day(day, at, value, flags)
    with pytest.raises(BytesDamagedError, match="layout"):
        decode_day(struct.pack("B", 99) + body[1:], day, 2)


@pytest.mark.parametrize(
    "times",
    [[], [START - 1], [START + DAY_MS], [START + 5, START + 5], [START + 9, START + 5]],
    ids=["none", "the day before", "the day after", "twice the same", "backwards"],
)
def test_times_that_are_no_day_are_refused(times: list[int]) -> None:
    at = np.array(times, np.int64)
    with pytest.raises(ValueError, match="day 20000: expected readings of that day"):
        encode_day(DAY, at, np.zeros(len(at)), np.zeros(len(at), np.int16))
