"""The whole configuration: example files, settings, revision."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from app.config.plant import TEXT, Plant
from watchedpot.app.config import load
from watchedpot.core.rules import AlarmKind, ChargeRules, Dosing, Priority, SoakRules
from watchedpot.core.tip import plan_tip
from watchedpot.errors import ConfigError
from watchedpot.sources.wiring import ModbusChannel

CONFIG = Path(__file__).parents[3] / "config"


@pytest.mark.parametrize("name", ["demo.toml", "lens_4.toml", "housing_7.toml"])
def test_the_example_files_can_be_used(name: str) -> None:
    """Each loads on its own, and says only that its materials are invented."""
    configuration = load(CONFIG / name)
    assert configuration.cells
    assert {notice.split(": ")[1] for notice in configuration.notices} == {
        "demo material, use your supplier's data sheet"
    }


def test_the_example_of_both_cells_is_wired_as_the_simulator_serves_it() -> None:
    """Zones, windows, ceilings and addresses are those of the demonstration plant."""
    configuration = load(CONFIG / "demo.toml")
    windows = {
        f"{cell.id}/{zone.id}": (zone.low_c, zone.high_c, zone.material.ceiling_c)
        for cell in configuration.cells
        for zone in cell.zones
    }
    assert windows == {
        "lens_4/syringe": (104.0, 118.0, 140.0),
        "lens_4/nozzle": (115.0, 126.0, 140.0),
        "housing_7/tank": (102.0, 118.0, 140.0),
        "housing_7/hose": (108.0, 123.0, 140.0),
        "housing_7/nozzle": (115.0, 126.0, 140.0),
    }
    opcua, modbus = configuration.sources
    assert {channel.name.replace("/", ".") for channel in opcua.channels} == {
        channel.identifier.removeprefix("s=")
        for channel in opcua.channels
        if not isinstance(channel, ModbusChannel)
    }
    addresses = {
        channel.name.removeprefix("housing_7/"): channel.address
        for channel in modbus.channels
        if isinstance(channel, ModbusChannel)
    }
    assert addresses == {
        "tank/temperature": 0,
        "tank/setpoint": 1,
        "tank/output": 2,
        "hose/temperature": 3,
        "hose/setpoint": 4,
        "hose/output": 5,
        "nozzle/temperature": 10,
        "nozzle/setpoint": 12,
        "nozzle/output": 14,
        "dispensing": 0,
        "wiped": 1,
        "parts": 20,
        "charge_id": 22,
        "heartbeat": 24,
        "ambient": 25,
        "part_id": 26,
        "joined": 28,
        "bead_width": 30,
        "inspection": 32,
    }


def test_the_example_melt_is_that_of_the_simulated_cells() -> None:
    """Radius, fillings, flows and hold-up are as the simulator has them; all can be computed."""
    lens_4, housing_7 = load(CONFIG / "demo.toml").cells
    syringe, tank = lens_4.reservoir, housing_7.reservoir
    assert syringe is not None
    assert tank is not None
    assert syringe.soak == SoakRules(104.0, 23.0, 11.3 / 1e3, 90.0, None, 2.0)
    assert syringe.material.thermal is not None
    assert tank.soak == SoakRules(102.0, 23.0, timer_s=180.0)
    assert lens_4.charge == ChargeRules(
        0.033, None, 4e-6, Dosing.TIME_PRESSURE, preheat_c=100.0, preheat_s=1200.0
    )
    assert housing_7.charge == ChargeRules(5.0, 0.3, 30e-6, Dosing.VOLUMETRIC, start_age_s=3600.0)
    assert [zone.hold_up_m3 for zone in housing_7.zones] == [None, 75e-6, 0.5e-6]
    lives = [
        (zone.material.ageing.pot_life_s, zone.material.ageing.ref_c)
        for zone in (syringe, tank)
        if zone.material.ageing
    ]
    assert lives == [(86_400.0, 120.0), (43_200.0, 110.0)]
    assert tank.material.flow_ea_j_per_mol == pytest.approx(50e3, rel=1e-4)
    assert [cell.air for cell in (lens_4, housing_7)] == [None, None]


def test_the_tips_of_the_examples_stand_five_kelvin_below_their_blocks() -> None:
    """One by its geometry, one measured, at 120 degC in a room of 23 degC, without flow."""
    for cell in load(CONFIG / "demo.toml").cells:
        tip = cell.zones[-1].tip
        assert tip is not None
        plan = plan_tip(tip, thermal=None, flow_kg_per_s=None, block_c=120.0, ambient_c=23.0)
        assert plan.offset_k + plan.still_share * 97.0 == pytest.approx(5.0, abs=0.3)
        assert tip.low_c == 110.0


def test_every_example_alarm_asks_to_hold_and_none_to_reach_in() -> None:
    """The first thing to do is to hold dispensing; over the ceiling the heat goes off too."""
    cells = load(CONFIG / "demo.toml").cells
    alarms = [rules for cell in cells for rules in cell.alarms]
    alarms += [rules for cell in cells for zone in cell.zones for rules in zone.alarms]
    assert {rules.kind for rules in alarms} == set(AlarmKind)
    assert all(rules.response.startswith("Hold dispensing") for rules in alarms)
    assert all(
        "bypass" not in rules.response and "reach in" not in rules.response for rules in alarms
    )
    (ready,) = {rules for rules in alarms if rules.kind is AlarmKind.BEFORE_READY}
    assert (ready.priority, ready.on_delay_s, ready.off_delay_s) == (Priority.HIGH, 0.0, 60.0)
    assert "ready time that is shown" in ready.response
    (spent,) = {rules for rules in alarms if rules.kind is AlarmKind.POT_LIFE}
    assert (spent.priority, spent.on_delay_s, spent.off_delay_s) == (Priority.MEDIUM, 0.0, 0.0)
    assert "the cell's own procedure" in spent.response
    assert not ready.is_latching
    assert not spent.is_latching
    (over,) = {rules.response for rules in alarms if rules.kind is AlarmKind.OVER_CEILING}
    assert "safety data sheet" in over
    assert "switch the heat off" in over


def test_settings_have_defaults_and_paths_start_at_their_file(plant: Plant) -> None:
    """The service listens on this computer only; the ledger lies beside the configuration."""
    service = plant.load().service
    assert (service.host, service.port, service.queue_capacity) == ("127.0.0.1", 9464, 1000)
    assert service.ledger_path == Path("watchedpot.ledger")
    assert (service.commit_interval_s, service.retention_days, service.retention_mb) == (
        1.0,
        400.0,
        4000.0,
    )
    plant.write("site/settings.toml", '[ledger]\npath = "pot.ledger"\nretention_days = 30')
    plant.change(head='include = ["site/settings.toml"]', more='[service]\nhost = "::1"')
    service = plant.load().service
    assert service.ledger_path == Path("site/pot.ledger")
    assert service.retention_days == 30.0
    assert service.host == "::1"


def test_an_absolute_ledger_path_stays_as_it_is(plant: Plant) -> None:
    """A ledger may lie on another disk."""
    plant.change(more='[ledger]\npath = "/var/lib/watchedpot/pot.ledger"')
    assert plant.load().service.ledger_path == Path("/var/lib/watchedpot/pot.ledger")


def test_settings_stand_in_one_file(plant: Plant) -> None:
    """Two files that both have a ledger are refused."""
    plant.write("settings.toml", '[ledger]\npath = "a.ledger"')
    assert plant.fault(head='include = ["settings.toml"]', more="[ledger]") == (
        "settings.toml, ledger: expected this table in one file only, plant.toml, ledger has it "
        "too; nothing was started; put both together"
    )


@pytest.mark.parametrize(
    ("host", "is_noted"),
    [("0.0.0.0", True), ("pot.example", True), ("localhost", False), ("127.0.0.2", False)],
)
def test_listening_to_other_computers_is_noted(plant: Plant, host: str, *, is_noted: bool) -> None:
    """Whoever opens the page to the network is told so."""
    plant.change(more=f'[service]\nhost = "{host}"')
    notice = f"service.host: {host} can be reached from other computers"
    assert (notice in plant.load().notices) is is_noted


def test_paths_of_tokens_and_tls_start_at_their_file(plant: Plant) -> None:
    """Relative to it, or absolute; none without them."""
    service = plant.load().service
    assert (service.tokens_path, service.tls_certificate_path, service.tls_key_path) == (None,) * 3
    assert not service.open_reading
    plant.write(
        "site/settings.toml",
        '[service]\nhost = "0.0.0.0"\ntokens_path = "tokens"\nopen_reading = true\n'
        'tls_certificate_path = "/etc/pot/chain.pem"\ntls_key_path = "key.pem"',
    )
    plant.change(head='include = ["site/settings.toml"]')
    service = plant.load().service
    assert service.tokens_path == Path("site/tokens")
    assert service.tls_certificate_path == Path("/etc/pot/chain.pem")
    assert service.tls_key_path == Path("site/key.pem")
    assert service.open_reading
    assert not service.is_local


@pytest.mark.parametrize("key", ["tls_certificate_path", "tls_key_path"])
def test_a_certificate_has_a_key(plant: Plant, key: str) -> None:
    """One without the other is no TLS, and is not started without."""
    fault = plant.fault(more=f'[service]\n{key} = "a.pem"')
    assert fault == (
        "plant.toml, service: expected tls_certificate_path and tls_key_path, got one of the two; "
        "nothing was started; name both, or none for no TLS"
    )


def test_tokens_that_travel_without_tls_are_noted(plant: Plant) -> None:
    """Only where other computers can listen in."""
    notice = "service: without TLS tokens can be read on the way"
    assert notice not in plant.load().notices
    plant.change(more='[service]\nhost = "0.0.0.0"')
    assert notice in plant.load().notices


SERIAL = """
[[sources]]
id = "press_{unit}"
protocol = "modbus_rtu"
serial_port = "/dev/serial/by-id/usb-adapter"
baud_rate = {baud_rate}
unit = {unit}
address_base = 0
"""


def test_an_address_has_one_framing(plant: Plant) -> None:
    """Two units at one address share one connection, which cannot speak both ways."""
    other = (
        '[[sources]]\nid = "press_2"\nprotocol = "modbus_rtu_tcp"\nhost = "127.0.0.1"\n'
        "port = 15020\nunit = 2\naddress_base = 0\n"
    )
    assert plant.fault(more=other) == (
        "plant.toml, sources.press_2: expected modbus_tcp at 127.0.0.1:15020, as source housing_7 "
        "has it, got modbus_rtu_tcp; nothing was started; all units at one address share one "
        "connection; correct one of the two"
    )


def test_a_serial_port_has_one_speed(plant: Plant) -> None:
    """All units on a line run at the settings of the line."""
    units = SERIAL.format(unit=1, baud_rate=9600) + SERIAL.format(unit=2, baud_rate=19200)
    assert plant.fault(more=units) == (
        "plant.toml, sources.press_2: expected modbus_rtu with 9600 bit/s, even parity, 1 stop bits"
        " at /dev/serial/by-id/usb-adapter, as source press_1 has it, got modbus_rtu with 19200 "
        "bit/s, even parity, 1 stop bits; nothing was started; all units at one address share one "
        "connection; correct one of the two"
    )


def test_units_on_one_line_share_it(plant: Plant) -> None:
    """Several units at one address with the same settings are no fault."""
    plant.change(more=SERIAL.format(unit=1, baud_rate=9600) + SERIAL.format(unit=2, baud_rate=9600))
    assert "sources.press_1: no channel uses it, it will not be read" in plant.load().notices


def test_a_device_has_one_source(plant: Plant) -> None:
    """Two connections to one device are refused, whatever they are called."""
    second = TEXT[TEXT.index("[[sources]]") : TEXT.index("[[sources]]", 5)]
    assert plant.fault(more=second.replace('id = "housing_7"', 'id = "housing_8"')) == (
        "plant.toml, sources.housing_8: expected a device of its own, got 127.0.0.1:15020 unit 1, "
        "which source housing_7 reads too; nothing was started; "
        "let all channels of a device name one source"
    )


def test_a_configuration_without_a_cell_is_refused(plant: Plant) -> None:
    """There would be nothing to do."""
    plant.write("plant.toml", "")
    with pytest.raises(ConfigError) as caught:
        plant.load()
    assert caught.value.faults == (
        "plant.toml: expected at least one cell, got none; nothing was started",
    )


def test_the_revision_tells_what_is_judged_not_how_it_is_written(plant: Plant) -> None:
    """Comments, order and settings of the service leave it; a limit changes it."""
    first = plant.load()
    plant.change(
        ("setpoint_c = 120.0", "setpoint_c = 120.0  # usual"), more="[service]\nport = 9465"
    )
    same = plant.load()
    plant.change(("window_low_c = 104.0", "window_low_c = 104.5"))
    other = plant.load()
    assert first.revision == same.revision
    assert first.revision != other.revision
    assert len(first.revision) == 12
    assert int(first.revision, 16) >= 0
    assert json.loads(other.text)["cells"][0]["zones"][0]["low_c"] == 104.5
