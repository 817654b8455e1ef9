"""Registers, exceptions, OPC UA values and statuses against frames and tables made elsewhere."""

from __future__ import annotations

import csv
import math
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watchedpot.core.model import Quality, Reading, Reason
from watchedpot.errors import DataError
from watchedpot.sources.decode import (
    BIT_TABLES,
    BUILT_IN_TYPES,
    Implausible,
    Request,
    alone,
    converter,
    exception_reading,
    four_orders,
    halves,
    modbus_decoder,
    opcua_decoder,
    plan_requests,
    status_class,
    unpacker,
)
from watchedpot.sources.wiring import (
    Conversion,
    ModbusChannel,
    OpcuaChannel,
    RegisterTable,
    Unit,
    ValueType,
    WordOrder,
)

HIGH, LOW = WordOrder.HIGH_FIRST, WordOrder.LOW_FIRST
CELSIUS = Conversion(unit=Unit.CELSIUS, plausible_low=-50.0, plausible_high=400.0)


def holding(
    name: str, address: int, value_type: ValueType, conversion: Conversion = CELSIUS
) -> ModbusChannel:
    """Channel in the holding registers."""
    return ModbusChannel(name, RegisterTable.HOLDING_REGISTERS, address, value_type, conversion)


@pytest.mark.parametrize(
    ("words", "word_order", "swap_bytes"),
    [
        ([0x47F1, 0x2000], HIGH, False),
        ([0x2000, 0x47F1], LOW, False),
        ([0xF147, 0x0020], HIGH, True),
        ([0x0020, 0xF147], LOW, True),
    ],
)
def test_a_float_decodes_in_each_of_the_four_orders(
    words: list[int], word_order: WordOrder, swap_bytes: bool
) -> None:
    """123456.0 in the orders ABCD, CDAB, BADC, DCBA.

    Source: libmodbus documentation, modbus_get_float_{abcd,cdab,badc,dcba}.
    """
    assert (
        unpacker(ValueType.FLOAT32, word_order=word_order, swap_bytes=swap_bytes)(words) == 123456.0
    )
    assert four_orders(words)[word_order, swap_bytes] == 123456.0


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        ([0x4334, 0x0000], {"180", "2.4e-41", "1.8e-07", "1.9e-41"}),
        ([0x4336, 0x6666], {"182.4", "2.7e+23", "2.9e-06"}),
    ],
)
def test_a_wrong_order_looks_like_nothing_at_all(words: list[int], shown: set[str]) -> None:
    """180.0 in a wrong order looks like 0 degC, 182.4 also like 1e23.

    Source: arithmetic by the IEEE 754 layout, done apart from this code.
    """
    assert {
        f"{value:.2g}" if value < 1 or value > 1e3 else f"{value:g}"
        for value in four_orders(words).values()
    } == shown


@pytest.mark.parametrize(
    ("words", "value_type", "expected"),
    [
        ([0x7FFF], ValueType.INT16, 32767),
        ([0x8000], ValueType.INT16, -32768),
        ([0x8000], ValueType.UINT16, 32768),
        ([0xFFFF, 0xFFFE], ValueType.INT32, -2),
        ([0x0001, 0x0000], ValueType.UINT32, 65536),
        ([0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF], ValueType.INT64, -1),
        ([0x0000, 0x0001, 0x0000, 0x0000], ValueType.UINT64, 2**32),
        ([0x4066, 0x8000, 0x0000, 0x0000], ValueType.FLOAT64, 180.0),
    ],
)
def test_each_type_decodes_from_hand_written_registers(
    words: list[int], value_type: ValueType, expected: float
) -> None:
    """Words written by hand from the definition of two's complement and IEEE 754."""
    assert unpacker(value_type, word_order=HIGH, swap_bytes=False)(words) == expected


@given(
    value=st.integers(-(2**63), 2**63 - 1),
    word_order=st.sampled_from(WordOrder),
    swap_bytes=st.booleans(),
)
def test_every_order_is_undone_by_the_same_order(
    value: int, word_order: WordOrder, swap_bytes: bool
) -> None:
    """What a device writes in an order is read back in that order, over four words."""
    words = list(struct.unpack(">4H", value.to_bytes(8, "big", signed=True)))
    if swap_bytes:
        words = [(word & 0xFF) << 8 | word >> 8 for word in words]
    if word_order is LOW:
        words.reverse()
    decoded = unpacker(ValueType.INT64, word_order=word_order, swap_bytes=swap_bytes)(words)
    assert decoded == value


def test_tenths_of_a_degree_are_scaled() -> None:
    """Register 1825 with scale 0.1 is 182.5 degC."""
    channel = holding("w", 0, ValueType.INT16, Conversion(scale=0.1, unit=Unit.CELSIUS))
    assert modbus_decoder(channel)([1825]) == Reading(182.5)


def test_the_offset_comes_after_the_scale() -> None:
    """Value = raw * scale + offset: 100 * 0.5 - 20 = 30."""
    assert converter(ValueType.UINT16, Conversion(scale=0.5, offset=-20.0))(100)[0] == 30.0


@pytest.mark.parametrize(("raw_f", "expected_c"), [(32, 0.0), (212, 100.0), (-40, -40.0)])
def test_fahrenheit_becomes_celsius(raw_f: int, expected_c: float) -> None:
    """The ice point, the steam point and the crossing at -40, known to everyone."""
    value, quality, _ = converter(ValueType.INT16, Conversion(unit=Unit.FAHRENHEIT))(raw_f)
    assert value == pytest.approx(expected_c, abs=1e-12)
    assert quality is Quality.GOOD


@pytest.mark.parametrize(
    ("word", "value_type"),
    [(0x8000, ValueType.INT16), (0x7FFF, ValueType.INT16), (0xFFFF, ValueType.UINT16)],
)
def test_a_fill_value_is_recognised_before_scaling(word: int, value_type: ValueType) -> None:
    """The codes for an open sensor are no temperature, even where the scaled one would pass."""
    fills = (-32768.0, 32767.0, 65535.0)
    channel = holding("w", 0, value_type, Conversion(scale=0.001, fill_values=fills))
    reading = modbus_decoder(channel)([word])
    assert (reading.quality, reading.reason) == (Quality.BAD, Reason.FILL_VALUE)
    assert math.isnan(reading.value)


def test_a_decimal_fill_value_matches_its_float32() -> None:
    """-3276.8 as a float32 is 0xC54CCCCD, which is not -3276.8 in double precision."""
    conversion = Conversion(fill_values=(-3276.8,))
    channel = holding("w", 0, ValueType.FLOAT32, conversion)
    assert modbus_decoder(channel)([0xC54C, 0xCCCD]).reason is Reason.FILL_VALUE
    assert modbus_decoder(channel)([0xC54C, 0xCCD0]).quality is Quality.GOOD


@pytest.mark.parametrize(
    "words", [[0x7FC0, 0x0000], [0xFFFF, 0xFFFF], [0x7F80, 0x0000], [0xFF80, 0x0000]]
)
def test_nan_and_infinity_are_not_finite(words: list[int]) -> None:
    """Quiet nan, all ones, and both infinities give no number."""
    reading = modbus_decoder(holding("w", 0, ValueType.FLOAT32))(words)
    assert (reading.quality, reading.reason) == (Quality.BAD, Reason.NOT_FINITE)


def test_a_scale_that_overflows_is_not_finite() -> None:
    """A number that leaves the range of doubles on the way gives no number."""
    overflowing = Conversion(scale=1e300)
    assert converter(ValueType.FLOAT64, overflowing)(1e300)[1:] == (Quality.BAD, Reason.NOT_FINITE)


@pytest.mark.parametrize("words", [[0x0000, 0x4334], [0x3443, 0x0000], [0x0000, 0x3443]])
def test_a_float_in_a_wrong_order_is_implausible_not_cold(words: list[int]) -> None:
    """180.0 in each wrong order is within the range, and refused all the same."""
    reading = modbus_decoder(holding("w", 0, ValueType.FLOAT32))(words)
    assert (reading.quality, reading.reason) == (Quality.BAD, Reason.IMPLAUSIBLE)


def test_zero_degrees_is_a_temperature() -> None:
    """Exactly 0 is good, and so is the least number above the limit."""
    assert converter(ValueType.FLOAT32, CELSIUS)(0.0)[1] is Quality.GOOD
    assert converter(ValueType.FLOAT32, CELSIUS)(0.001)[1] is Quality.GOOD


def test_a_denormal_is_implausible_in_any_unit() -> None:
    """An integer read as a float is denormal; a small share is not."""
    percent = Conversion(unit=Unit.PERCENT)
    assert converter(ValueType.FLOAT32, percent)(2.0**-127)[2] is Reason.IMPLAUSIBLE
    assert converter(ValueType.FLOAT32, percent)(1e-6)[1] is Quality.GOOD
    assert converter(ValueType.FLOAT64, percent)(2.0**-127)[1] is Quality.GOOD


@pytest.mark.parametrize(("raw", "is_good"), [(-51, False), (-50, True), (400, True), (401, False)])
def test_the_plausible_range_holds_its_edges(raw: int, is_good: bool) -> None:
    """Both edges are plausible, one more is not."""
    quality, reason = converter(ValueType.INT16, CELSIUS)(raw)[1:]
    assert (quality is Quality.GOOD) is is_good
    assert (reason is Reason.IMPLAUSIBLE) is not is_good


@given(
    raw=st.floats() | st.integers(-(2**63), 2**64 - 1),
    value_type=st.sampled_from([t for t in ValueType if t is not ValueType.BOOL]),
    conversion=st.builds(
        Conversion,
        scale=st.floats(allow_nan=False, allow_infinity=False),
        offset=st.floats(allow_nan=False, allow_infinity=False),
        unit=st.sampled_from(Unit),
        fill_values=st.tuples(st.floats()),
    ),
)
def test_a_good_value_is_finite(raw: float, value_type: ValueType, conversion: Conversion) -> None:
    """Nothing makes a good nan, and of what is not good only the implausible tells its number."""
    value, quality, reason = converter(value_type, conversion)(raw)
    assert (quality is Quality.GOOD) is (reason is Reason.NONE)
    assert math.isfinite(value) is (reason in (Reason.NONE, Reason.IMPLAUSIBLE))


@given(raw=st.floats(width=32), status=st.sampled_from([0, 0x4093_0000, 0x808C_0000]))
def test_a_reading_that_is_bad_has_no_number(raw: float, status: int) -> None:
    """What is implausible remembers the number that came, and does not tell it as a value."""
    reading = read(raw, status=status)
    assert math.isnan(reading.value) is (reading.quality > Quality.UNCERTAIN)
    assert isinstance(reading, Implausible) is (reading.reason is Reason.IMPLAUSIBLE)
    if isinstance(reading, Implausible):
        assert reading.came == raw


def test_an_implausible_number_is_told_in_the_unit_of_the_channel() -> None:
    """18012 tenths are 1801.2 degC, and 752 degF are 400 degC by definition."""
    tenths = Conversion(scale=0.1, unit=Unit.CELSIUS, plausible_low=-50.0, plausible_high=300.0)
    reading = modbus_decoder(holding("w", 0, ValueType.INT16, tenths))([18012])
    assert isinstance(reading, Implausible)
    assert reading.came == pytest.approx(1801.2)
    fahrenheit = Conversion(unit=Unit.FAHRENHEIT, plausible_low=-50.0, plausible_high=300.0)
    hot = modbus_decoder(holding("w", 0, ValueType.INT16, fahrenheit))([752])
    assert isinstance(hot, Implausible)
    assert hot.came == pytest.approx(400.0)


def test_a_negative_zero_is_zero() -> None:
    """It is no denormal, and it is a fill value where zero is one."""
    assert converter(ValueType.FLOAT32, CELSIUS)(-0.0)[1] is Quality.GOOD
    filled = Conversion(unit=Unit.CELSIUS, fill_values=(0.0,))
    assert converter(ValueType.FLOAT32, filled)(-0.0)[2] is Reason.FILL_VALUE


@pytest.mark.parametrize("words", [[0x0000, 0x0001], [0x8000, 0x0001], [0x007F, 0xFFFF]])
def test_every_denormal_is_refused(words: list[int]) -> None:
    """The least, the least negative and the largest one of IEEE 754 single precision."""
    for conversion in (CELSIUS, Conversion(unit=Unit.PERCENT)):
        reading = modbus_decoder(holding("w", 0, ValueType.FLOAT32, conversion))(words)
        assert reading.reason is Reason.IMPLAUSIBLE


def test_a_denormal_double_is_refused() -> None:
    """The largest denormal of IEEE 754 double precision is refused, the least normal one is not."""
    percent = Conversion(unit=Unit.PERCENT)
    assert converter(ValueType.FLOAT64, percent)(2.0**-1022 - 2.0**-1074)[2] is Reason.IMPLAUSIBLE
    assert converter(ValueType.FLOAT64, percent)(2.0**-1022)[1] is Quality.GOOD


def test_a_fill_value_is_told_before_the_range_is_looked_at() -> None:
    """3276.7 degC would be implausible too, but 32767 says that there is no sensor."""
    tenths = Conversion(
        scale=0.1,
        unit=Unit.CELSIUS,
        plausible_low=-50.0,
        plausible_high=300.0,
        fill_values=(32767.0, -32768.0),
    )
    for word in (0x7FFF, 0x8000):
        reading = modbus_decoder(holding("w", 0, ValueType.INT16, tenths))([word])
        assert reading.reason is Reason.FILL_VALUE


@pytest.mark.parametrize(
    ("word", "expected"),
    [(0, (0.0, Quality.GOOD)), (1, (1.0, Quality.GOOD)), (2, (None, Quality.BAD))],
)
def test_a_bool_in_a_register_is_zero_or_one(
    word: int, expected: tuple[float | None, Quality]
) -> None:
    """Any other word is of another type, not true."""
    reading = modbus_decoder(holding("on", 0, ValueType.BOOL))([word])
    assert reading.quality is expected[1]
    assert (reading.value == expected[0]) or (math.isnan(reading.value) and expected[0] is None)


@pytest.mark.parametrize(
    ("code", "quality", "reason"),
    [
        (1, Quality.BAD, Reason.REFUSED),
        (2, Quality.BAD, Reason.ADDRESS),
        (3, Quality.BAD, Reason.REFUSED),
        (4, Quality.BAD, Reason.STATUS),
        (6, Quality.MISSING, Reason.REFUSED),
        (10, Quality.MISSING, Reason.NO_CONNECTION),
        (11, Quality.MISSING, Reason.NO_ANSWER),
        (99, Quality.BAD, Reason.REFUSED),
    ],
)
def test_each_exception_code_has_its_class(code: int, quality: Quality, reason: Reason) -> None:
    """Codes of Modbus V1.1b, 7; the code stays beside the reading, an unknown one too."""
    reading = exception_reading(code)
    assert (reading.quality, reading.reason, reading.status) == (quality, reason, code)


def test_every_published_status_has_the_class_of_its_name(datasets: Path) -> None:
    """Good counts, Uncertain and Bad never do; the flag bits change nothing.

    Source: the table of the OPC Foundation (UA-Nodeset, Schema/StatusCode.csv).
    """
    with (datasets / "opcua_status_codes.csv").open(newline="", encoding="utf-8") as lines:
        statuses = [(row[0], int(row[1], 16)) for row in csv.reader(lines)]
    assert len(statuses) > 200
    for name, code in statuses:
        quality, reason = status_class(code)
        if name.startswith("Good"):
            assert (quality, reason) == (Quality.GOOD, Reason.NONE), name
        elif name.startswith("Uncertain"):
            assert quality in (Quality.UNCERTAIN, Quality.STALE), name
        else:
            assert name.startswith("Bad"), name
            assert quality in (Quality.BAD, Quality.STALE), name
        assert status_class(code | 0xFFFF) == (quality, reason), name


@pytest.mark.parametrize(
    ("code", "quality", "reason"),
    [
        (0x0096_0000, Quality.GOOD, Reason.NONE),  # GoodLocalOverride
        (0x4000_0000, Quality.UNCERTAIN, Reason.STATUS),
        (0x408F_0000, Quality.STALE, Reason.STATUS),  # ...NoCommunicationLastUsableValue
        (0x4090_0000, Quality.STALE, Reason.STATUS),  # UncertainLastUsableValue
        (0x4093_0000, Quality.UNCERTAIN, Reason.STATUS),  # UncertainSensorNotAccurate
        (0x4FFF_0000, Quality.UNCERTAIN, Reason.STATUS),  # not published
        (0x8000_0000, Quality.BAD, Reason.STATUS),
        (0x8005_0000, Quality.STALE, Reason.STATUS),  # BadCommunicationError
        (0x8031_0000, Quality.STALE, Reason.STATUS),  # BadNoCommunication
        (0x801F_0000, Quality.BAD, Reason.REFUSED),  # BadUserAccessDenied
        (0x8034_0000, Quality.BAD, Reason.ADDRESS),  # BadNodeIdUnknown
        (0x808C_0000, Quality.BAD, Reason.STATUS),  # BadSensorFailure
        (0x808D_0000, Quality.BAD, Reason.STATUS),  # BadOutOfService
        (0xC000_0000, Quality.BAD, Reason.STATUS),  # the reserved severity
    ],
)
def test_statuses_that_say_more_than_their_severity(
    code: int, quality: Quality, reason: Reason
) -> None:
    """Codes from the published table; an unknown one falls back on its severity."""
    assert status_class(code) == (quality, reason)


FLOAT = OpcuaChannel("w", "urn:cell", "s=w", ValueType.FLOAT32, CELSIUS)


def read(
    value: object, *, type_number: int = 10, status: int = 0, channel: OpcuaChannel = FLOAT
) -> Reading:
    """Reading of a channel from one answer."""
    return opcua_decoder(channel)(value, type_number, status, source_ns=5, server_ns=6)


def test_a_good_float_is_a_reading_with_its_stamps() -> None:
    """Value, status and both times come through."""
    assert read(180.0) == Reading(180.0, Quality.GOOD, Reason.NONE, 0, 5, 6)


def test_a_good_sub_code_counts_and_is_kept() -> None:
    """GoodLocalOverride is good, with its code beside it."""
    reading = read(180.0, status=0x0096_0000)
    assert (reading.quality, reading.value, reading.status) == (Quality.GOOD, 180.0, 0x0096_0000)


def test_an_uncertain_value_is_kept_but_does_not_count() -> None:
    """UncertainSensorNotAccurate shows its number; only the channel's word makes it good."""
    reading = read(180.0, status=0x4093_0000)
    assert (reading.quality, reading.reason) == (Quality.UNCERTAIN, Reason.STATUS)
    assert reading.value == 180.0
    trusting = OpcuaChannel("w", "urn:cell", "s=w", ValueType.FLOAT32, uncertain_is_good=True)
    trusted = read(180.0, status=0x4093_0000, channel=trusting)
    assert (trusted.quality, trusted.reason, trusted.status) == (
        Quality.GOOD,
        Reason.NONE,
        0x4093_0000,
    )


def test_an_old_value_is_stale_even_on_a_trusting_channel() -> None:
    """UncertainLastUsableValue is no present temperature, whoever is trusted."""
    trusting = OpcuaChannel("w", "urn:cell", "s=w", ValueType.FLOAT32, uncertain_is_good=True)
    reading = read(180.0, status=0x4090_0000, channel=trusting)
    assert reading.quality is Quality.STALE
    assert math.isnan(reading.value)


def test_a_value_beside_a_bad_status_is_never_used() -> None:
    """182.0 with BadNoCommunication or BadSensorFailure gives no number."""
    for status in (0x8031_0000, 0x808C_0000):
        reading = read(182.0, status=status)
        assert math.isnan(reading.value)
        assert reading.quality in (Quality.BAD, Quality.STALE)
        assert reading.status == status


def test_no_value_under_a_good_status_is_null() -> None:
    """A variable that was never written is bad, not zero."""
    assert read(None, type_number=0).reason is Reason.NULL


@pytest.mark.parametrize(
    ("value", "type_number"),
    [
        (True, 1),
        (True, 10),
        (180, 4),
        (180.0, 11),
        (180, 10),
        ("181,5", 12),
        ([180.0], 10),
        (180.0, 63),
    ],
)
def test_a_value_of_another_type_is_bad(value: object, type_number: int) -> None:
    """A float channel takes neither bool, int, double, text nor array, whatever they hold."""
    reading = read(value, type_number=type_number)
    assert (reading.quality, reading.reason) == (Quality.BAD, Reason.TYPE)
    assert math.isnan(reading.value)


def test_a_wrong_type_is_bad_under_an_uncertain_status_too() -> None:
    """The status does not excuse the type."""
    assert read("181,5", type_number=12, status=0x4000_0000).reason is Reason.TYPE


@pytest.mark.parametrize("value_type", list(ValueType))
def test_each_type_takes_its_own_built_in_type(value_type: ValueType) -> None:
    """Every configured type is met by exactly one built-in type (OPC UA Part 6, 5.1.2)."""
    channel = OpcuaChannel("w", "urn:cell", "s=w", value_type)
    type_number, python_type = BUILT_IN_TYPES[value_type]
    assert read(python_type(1), type_number=type_number, channel=channel).value == 1.0


channels = st.lists(
    st.one_of(
        st.builds(
            ModbusChannel,
            name=st.uuids().map(str),
            table=st.sampled_from([RegisterTable.HOLDING_REGISTERS, RegisterTable.INPUT_REGISTERS]),
            address=st.integers(0, 600) | st.integers(65_000, 65_532),
            type=st.sampled_from(ValueType),
        ),
        st.builds(
            ModbusChannel,
            name=st.uuids().map(str),
            table=st.sampled_from(sorted(BIT_TABLES)),
            address=st.integers(0, 5000),
            type=st.just(ValueType.BOOL),
        ),
    ),
    max_size=60,
)


@given(channels=channels, max_registers=st.integers(4, 125), max_gap=st.integers(0, 200))
def test_a_plan_reads_every_channel_once_and_tears_none(
    channels: list[ModbusChannel], max_registers: int, max_gap: int
) -> None:
    """Each channel is in one request, wholly inside it; no request is longer than allowed."""
    plan = plan_requests(channels, max_registers=max_registers, max_gap=max_gap)
    planned = [channel.name for request in plan for channel in request.channels]
    assert sorted(planned) == sorted(channel.name for channel in channels)
    for request in plan:
        assert 1 <= request.count <= max_registers * (16 if request.table in BIT_TABLES else 1)
        end = request.address
        for channel in request.channels:
            assert channel.table is request.table
            assert request.address <= channel.address
            assert channel.address + channel.width <= request.address + request.count
            assert channel.address - end <= max_gap
            end = max(end, channel.address + channel.width)
        assert end == request.address + request.count


@given(channels=channels, seed=st.randoms(use_true_random=False))
def test_a_plan_does_not_depend_on_the_order_of_the_channels(
    channels: list[ModbusChannel], seed: object
) -> None:
    """The same channels in any order make the same requests."""
    shuffled = list(channels)
    seed.shuffle(shuffled)  # type: ignore[attr-defined]
    assert plan_requests(shuffled, max_gap=8) == plan_requests(channels, max_gap=8)


def test_a_full_request_holds_125_registers_or_2000_bits() -> None:
    """126 registers in a row take two reads, and so do 2001 bits."""
    words = [holding(f"w{n}", n, ValueType.INT16) for n in range(126)]
    assert [request.count for request in plan_requests(words, max_gap=0)] == [125, 1]
    bits = [ModbusChannel(f"b{n}", RegisterTable.COILS, n, ValueType.BOOL) for n in range(2001)]
    assert [request.count for request in plan_requests(bits, max_gap=0)] == [2000, 1]


def test_a_gap_is_bridged_up_to_its_limit() -> None:
    """Eight unused registers are read along, nine are not."""
    near = [holding("a", 0, ValueType.INT16), holding("b", 9, ValueType.INT16)]
    far = [holding("a", 0, ValueType.INT16), holding("b", 10, ValueType.INT16)]
    assert [(r.address, r.count) for r in plan_requests(near, max_gap=8)] == [(0, 10)]
    assert [(r.address, r.count) for r in plan_requests(far, max_gap=8)] == [(0, 1), (10, 1)]


def test_two_channels_may_share_a_register() -> None:
    """A status word read twice is asked for once."""
    shared = [holding("a", 4, ValueType.UINT32), holding("b", 5, ValueType.UINT16)]
    assert [(r.address, r.count) for r in plan_requests(shared, max_gap=0)] == [(4, 2)]


@pytest.mark.parametrize(
    ("channel", "max_registers", "max_gap"),
    [
        (holding("w", 0, ValueType.INT16), 126, 0),
        (holding("w", 0, ValueType.INT16), 0, 0),
        (holding("w", 0, ValueType.INT16), 125, -1),
        (holding("w", 0, ValueType.FLOAT64), 3, 0),
        (holding("w", 65_535, ValueType.FLOAT32), 125, 0),
        (holding("w", -1, ValueType.INT16), 125, 0),
        (ModbusChannel("w", RegisterTable.COILS, 0, ValueType.INT16), 125, 0),
    ],
)
def test_what_the_protocol_cannot_read_is_refused(
    channel: ModbusChannel, max_registers: int, max_gap: int
) -> None:
    """A limit or a place that no frame can carry is a DataError, before anything is sent."""
    with pytest.raises(DataError, match=r"expected .* got "):
        plan_requests([channel], max_registers=max_registers, max_gap=max_gap)


def test_halves_serve_all_channels_and_span_no_more() -> None:
    """A request for three channels becomes one for one and one for two."""
    three = [holding(f"w{n}", 10 * n, ValueType.FLOAT32) for n in range(3)]
    (whole,) = plan_requests(three, max_gap=8)
    table = RegisterTable.HOLDING_REGISTERS
    assert halves(whole) == (
        Request(table, 0, 2, (three[0],)),
        Request(table, 10, 12, (three[1], three[2])),
    )
    assert alone(three[1]) == Request(table, 10, 2, (three[1],))
