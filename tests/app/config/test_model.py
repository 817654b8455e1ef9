"""What one key alone may hold, each refusal read as a whole sentence."""

from __future__ import annotations

import pytest

from app.config.plant import Plant

SYRINGE = "plant.toml, cells.lens_4.zones.syringe"
TEMPERATURE = f"{SYRINGE}.channels.temperature"


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            "window_low_c = 104.0",
            "",
            f"{SYRINGE}.window_low_c: expected a value, got none; nothing was started; "
            "lower edge of the window [degC]",
        ),
        (
            "window_low_c = 104.0",
            'window_low_c = "hot"',
            f'{SYRINGE}.window_low_c: expected a number, got "hot"; nothing was started; '
            "lower edge of the window [degC]",
        ),
        (
            "window_low_c = 104.0\nwindow_high_c = 118.0",
            "window_low_c = 126.0\nwindow_high_c = 115.0",
            f"{SYRINGE}: window_low_c = 126.0 is not below window_high_c = 115.0; "
            "nothing was started; correct one of the two",
        ),
        (
            'id = "syringe"',
            'id = "syringe"\nmax_gap = 3.0',
            f"{SYRINGE}.max_gap: unknown key, got 3.0; nothing was started; "
            "did you mean max_gap_s?",
        ),
        (
            'id = "syringe"',
            'id = "syringe"\nmax_gap_s = -3.0',
            f"{SYRINGE}.max_gap_s: expected more than 0 s, got -3.0 s; nothing was started; "
            "longest step between two good readings that is joined by a line; default 3 polls [s]",
        ),
        (
            'kind = "syringe"',
            'kind = "syrinje"',
            f'{SYRINGE}.kind: expected "tank" or "cartridge" or "syringe" or "hose" or "nozzle", '
            'got "syrinje"; nothing was started; did you mean syringe?',
        ),
        (
            'kind = "syringe"',
            'kind = "pot"',
            f'{SYRINGE}.kind: expected "tank" or "cartridge" or "syringe" or "hose" or "nozzle", '
            'got "pot"; nothing was started; what the zone is',
        ),
        (
            'id = "syringe"',
            'id = "Big Syringe"',
            'plant.toml, cells.lens_4.zones."Big Syringe".id: expected a text of the form '
            '^[a-z][a-z0-9_]*$, got "Big Syringe"; nothing was started; '
            "name of the zone, unique in its cell: lower-case letters, digits and underscores",
        ),
        (
            "plausible = [-20.0, 300.0]",
            "plausible = [300.0, -20.0]",
            f"{TEMPERATURE}.plausible: the first number = 300.0 is not below the second = -20.0; "
            "nothing was started; correct one of the two",
        ),
        (
            "scale = 0.1",
            "scale = true",
            f"{TEMPERATURE}.scale: expected a number, got true; nothing was started; "
            "factor from the raw number to the unit: value = raw * scale + offset "
            "[unit of the value]",
        ),
        (
            "scale = 0.1",
            "scale = inf",
            f"{TEMPERATURE}.scale: expected a finite number, got inf; nothing was started; "
            "factor from the raw number to the unit: value = raw * scale + offset "
            "[unit of the value]",
        ),
        (
            "port = 15020",
            "port = 150200",
            "plant.toml, sources.housing_7.port: expected 65535 or less, got 150200; "
            "nothing was started; TCP port of the device",
        ),
        (
            "port = 15020",
            "port = 15020\npoll_period_s = 0.01",
            "plant.toml, sources.housing_7.poll_period_s: expected 0.05 s or more, got 0.01 s; "
            "nothing was started; time from one read of all channels to the next, 0.05 to 5 [s]",
        ),
        (
            "address_base = 1",
            "",
            "plant.toml, sources.housing_7.address_base: expected a value, got none; "
            "nothing was started; address of the first register in this file: 0 as on the wire, "
            "or 1 as in many manuals",
        ),
        (
            "address_base = 1",
            "address_base = 2",
            "plant.toml, sources.housing_7.address_base: expected 0 or 1, got 2; "
            "nothing was started; address of the first register in this file: 0 as on the wire, "
            "or 1 as in many manuals",
        ),
        (
            'node = "i=1001"',
            'node = "1001"',
            "plant.toml, cells.lens_4.zones.nozzle.channels.output.node: expected a text of the "
            'form ^(s=.+|i=[0-9]+)$, got "1001"; nothing was started; '
            "OPC UA identifier in the source's namespace: s=text or i=number",
        ),
        (
            'response = "Hold dispensing."',
            'response = "  "',
            'plant.toml, alarms.cold.response: expected a text that is not empty, got "  "; '
            "nothing was started; what the person at the cell is to do; without it, it is not an "
            "alarm",
        ),
        (
            "flow_activation_kj_per_mol = 50.0",
            "flow_activation_kj_per_mol = 50000.0",
            "plant.toml, materials.demo_silicone.flow_activation_kj_per_mol: expected 500 kJ/mol "
            "or less, got 50000.0 kJ/mol; nothing was started; activation energy of flow: how "
            "steeply viscosity rises when colder, up to 500 [kJ/mol]",
        ),
    ],
)
def test_a_value_that_its_key_cannot_hold_is_refused(
    plant: Plant, old: str, new: str, sentence: str
) -> None:
    """Each refusal says where, what was expected, what came, and what the key is for."""
    assert plant.fault((old, new)) == sentence


def test_whole_numbers_are_numbers(plant: Plant) -> None:
    """A temperature may be written without a decimal point."""
    plant.change(("window_low_c = 104.0", "window_low_c = 104"))
    assert plant.load().cells[0].zones[0].low_c == 104.0


SERIAL = """
[[sources]]
id = "press_1"
protocol = "modbus_rtu"
serial_port = "/dev/ttyUSB0"
baud_rate = 9600
unit = 1
address_base = 0
"""


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (
            "unit = 1",
            "unit = 0",
            "unit: expected 1 or more, got 0; nothing was started; "
            "unit identifier of the device, 1 to 247",
        ),
        (
            "baud_rate = 9600",
            "baud_rate = 300",
            "baud_rate: expected 1200 or more, got 300; nothing was started; "
            "speed of the line, 1200 to 921600 [bit/s]",
        ),
        (
            "baud_rate = 9600",
            "",
            "baud_rate: expected a value, got none; nothing was started; "
            "speed of the line, 1200 to 921600 [bit/s]",
        ),
        (
            "unit = 1",
            'unit = 1\nparity = "evem"',
            'parity: expected "none" or "even" or "odd", got "evem"; nothing was started; '
            "did you mean even?",
        ),
        (
            "unit = 1",
            "unit = 1\nstop_bits = 3",
            "stop_bits: expected 1 or 2, got 3; nothing was started; stop bits of the line [1]",
        ),
        (
            "unit = 1",
            "unit = 1\nanswer_timeout_s = 5.0",
            "answer_timeout_s: expected 2 s or less, got 5.0 s; nothing was started; "
            "bound of one request, in real time, at most 2 [s]",
        ),
        (
            "unit = 1",
            'unit = 1\nhost = "10.0.0.9"',
            'host: unknown key, got "10.0.0.9"; nothing was started',
        ),
    ],
)
def test_a_serial_source_that_cannot_be_is_refused(
    plant: Plant, old: str, new: str, sentence: str
) -> None:
    """Each of its keys has its range, and those of TCP are not among them."""
    fault = plant.fault(more=SERIAL.replace(old, new))
    assert fault.startswith(f"plant.toml, sources.press_1.{sentence}")
