"""A small, complete configuration, and a folder to write changed copies of it to."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from watchedpot.app.config import Configuration, load
from watchedpot.errors import ConfigError

TEXT = """
[[sources]]
id = "housing_7"
protocol = "modbus_tcp"
host = "127.0.0.1"
port = 15020
unit = 1
address_base = 1

[[sources]]
id = "lens_4"
protocol = "opcua"
url = "opc.tcp://127.0.0.1:48440/potsim"
namespace_uri = "urn:potsim:plc"

[[materials]]
id = "demo_silicone"
ceiling_c = 140.0
flow_activation_kj_per_mol = 50.0
degradation_activation_kj_per_mol = 90.0
source = "demo: use your supplier's data sheet"

[[cells]]
id = "lens_4"

[cells.channels.dispensing]
source = "housing_7"
table = "discrete_inputs"
address = 1
type = "bool"

[cells.channels.parts]
source = "housing_7"
table = "holding_registers"
address = 21
type = "uint32"
word_order = "high_first"

[[cells.zones]]
id = "syringe"
kind = "syringe"
material = "demo_silicone"
window_low_c = 104.0
window_high_c = 118.0

[cells.zones.channels.temperature]
source = "housing_7"
table = "holding_registers"
address = 2
type = "int16"
scale = 0.1
unit = "degC"
fill_values = [32767]
plausible = [-20.0, 300.0]

[[cells.zones]]
id = "nozzle"
kind = "nozzle"
material = "demo_silicone"
window_low_c = 115.0
window_high_c = 126.0
setpoint_c = 120.0

[cells.zones.channels.temperature]
source = "lens_4"
node = "s=lens_4.nozzle.temperature"
type = "float32"
unit = "degC"
plausible = [-10.0, 290.0]

[cells.zones.channels.output]
source = "lens_4"
node = "i=1001"
type = "float32"
unit = "%"

[alarms.cold]
priority = "high"
on_delay_s = 15.0
off_delay_s = 20.0
deadband_k = 1.0
time_to_respond_s = 300.0
cause = "Colder than its window."
consequence = "Thin beads."
response = "Hold dispensing."
"""

MATERIAL = TEXT[TEXT.index("[[materials]]") : TEXT.index("[[cells]]")]
COLD = TEXT[TEXT.index("[alarms.cold]") :]


AGEING = """[materials.ageing]
pot_life_h = 8.0
at_c = 110.0
source = "demo: own trial"
"""

THERMAL = """[materials.thermal]
diffusivity_mm2_per_s = 0.115
diffusivity_low_mm2_per_s = 0.098
diffusivity_high_mm2_per_s = 0.132
conductivity_w_per_m_k = 0.19
density_kg_per_m3 = 1100.0
heat_capacity_j_per_kg_k = 1500.0
source = "demo: table"
"""

DEW_POINT = """[cells.channels.dew_point]
source = "lens_4"
node = "s=dew_point"
type = "float32"
unit = "degC"
plausible = [-80.0, 20.0]
"""

HUMIDITY = """[cells.channels.air_temperature]
source = "lens_4"
node = "s=air_temperature"
type = "float32"
unit = "degC"
plausible = [0.0, 60.0]

[cells.channels.air_humidity]
source = "lens_4"
node = "s=air_humidity"
type = "float32"
unit = "%"
plausible = [0.0, 100.0]
"""


STORAGE = """[materials.storage]
limit_c = 30.0
above_max_h = 24.0
mean_kinetic_max_c = 25.0
out_of_store_max_h = 8.0
source = "demo: own rule"
"""

REWORK = """open_time_s = 180.0
rework_min = 10.0
rework_caution = "Hot parts and vapours: qualified people only."
"""

JUDGING = """[cells.judging]
guard_k = 0.25
near_k = 2.0
blind_s = 5.0
before_loss_parts = 2
shortest_cycle_s = 2.0
counter_rolls_over_at = 65536
tip_settle_s = 30.0
check_tolerance_k = 1.5

[cells.judging.verdicts]
near_edge = "review"
"""

PART_ID = """[cells.channels.part_id]
source = "lens_4"
node = "s=part_id"
type = "uint32"
"""

JOINED = """[cells.channels.joined]
source = "lens_4"
node = "s=joined"
type = "uint32"
"""

INSPECTION = """[cells.channels.inspection]
source = "lens_4"
node = "s=inspection"
type = "bool"
"""

BEAD_WIDTH = """[cells.channels.bead_width]
source = "lens_4"
node = "s=bead_width"
type = "float32"
unit = "mm"
plausible = [0.0, 10.0]
"""


def material(*parts: str) -> tuple[str, str]:
    """Change that adds to the material: keys, then tables."""
    return "[[cells]]", "\n".join((*parts, "[[cells]]"))


def cell(*parts: str) -> tuple[str, str]:
    """Change that adds to the cell: keys, then tables."""
    head = '[[cells]]\nid = "lens_4"\n'
    return head, head + "\n".join((*parts, ""))


def syringe(*parts: str) -> tuple[str, str]:
    """Change that adds to the syringe: keys, then tables."""
    head = "window_high_c = 118.0\n"
    return head, head + "\n".join((*parts, ""))


def nozzle(*parts: str) -> tuple[str, str]:
    """Change that adds to the nozzle: keys, then tables."""
    head = "setpoint_c = 120.0\n"
    return head, head + "\n".join((*parts, ""))


def changed(text: str, *changes: tuple[str, str]) -> str:
    """The text with each first occurrence of something replaced."""
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return text


FULL = changed(
    TEXT,
    ("flow_activation_kj_per_mol = 50.0", "viscosity_points = [[100.0, 22.7], [120.0, 10.0]]"),
    material("demo = true", "dew_point_max_c = -20.0", REWORK, AGEING, THERMAL, STORAGE),
    cell(
        JUDGING,
        "[cells.charge]",
        "fill_g = 33.0\nflow_mg_per_s = 4.0\npreheat_c = 100.0\npreheat_min = 20.0",
        "start_age_h = 1.5",
        "[cells.air]\nline_bar_abs = 7.0\nmeasured_bar_abs = 1.0",
        DEW_POINT,
        PART_ID,
        JOINED,
        INSPECTION,
        BEAD_WIDTH,
    ),
    syringe("[cells.zones.soak]", "radius_mm = 11.3\nready_c = 105.0"),
    nozzle(
        "hold_up_ml = 0.5",
        "[cells.zones.tip]",
        "low_c = 110.0\nlength_mm = 4.0\ngauge = 16\nfilm_w_per_m2_k = 30.0",
    ),
)
"""The same with all that can be told of the melt and of the parts."""


def alarm(kind: str, *lines: str) -> str:
    """A complete alarm of a kind, without what only some kinds have, and further lines."""
    return "\n".join((COLD.replace("cold", kind).replace("deadband_k = 1.0\n", ""), *lines, ""))


@dataclass(frozen=True)
class Plant:
    """A folder with ``plant.toml`` in it; all names are relative to the working folder."""

    folder: Path

    def write(self, name: str, text: str) -> None:
        """Write a file, its folder included."""
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")

    def change(self, *changes: tuple[str, str], head: str = "", more: str = "") -> None:
        """Write ``plant.toml``: the text with each first occurrence of something replaced."""
        self.write("plant.toml", f"{head}\n{changed(TEXT, *changes)}\n{more}")

    def load(self) -> Configuration:
        """Configuration of ``plant.toml``."""
        return load(Path("plant.toml"))

    def faults(self, *changes: tuple[str, str], head: str = "", more: str = "") -> list[str]:
        """Faults of the changed text."""
        self.change(*changes, head=head, more=more)
        with pytest.raises(ConfigError) as caught:
            self.load()
        return list(caught.value.faults)

    def fault(self, *changes: tuple[str, str], head: str = "", more: str = "") -> str:
        """The only fault of the changed text."""
        (fault,) = self.faults(*changes, head=head, more=more)
        return fault
