"""Heat and melt of one cell as a network of lumps, stepped explicitly.

Every lump (heater block, ring of the charge, piece of hose, piece of tip) holds energy and
exchanges it with neighbours, with the room and with melt that flows through. What leaves one
lump enters another, so the energy balance closes to rounding whatever the step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

MAX_DRAFT = 10.0  # largest multiplier on a loss that the step length is made for
MIN_FILL = 0.05  # share of the full charge below which nothing more can be pressed out
STEP_MARGIN = 0.8  # share of the longest step that cannot overshoot


@dataclass(frozen=True, slots=True)
class Melt:
    """Enthalpy of the adhesive over temperature, from 0 degC, piecewise straight.

    Between ``fusion_from_c`` and ``fusion_to_c`` the heat of fusion is taken up evenly.

    Parameters
    ----------
    solid_j_per_kg_k, melt_j_per_kg_k : float
        Specific heat below and above the melting range. [J/(kg K)]
    fusion_j_per_kg : float
        Heat of fusion; 0 for a material that only softens. [J/kg]
    fusion_from_c, fusion_to_c : float
        The melting range, the first below the second. [degC]
    """

    solid_j_per_kg_k: float
    melt_j_per_kg_k: float
    fusion_j_per_kg: float = 0.0
    fusion_from_c: float = 50.0
    fusion_to_c: float = 70.0
    solid_end_j_per_kg: float = field(init=False)
    melt_start_j_per_kg: float = field(init=False)

    def __post_init__(self) -> None:
        mean_j_per_kg_k = 0.5 * (self.solid_j_per_kg_k + self.melt_j_per_kg_k)
        sensible_j_per_kg = mean_j_per_kg_k * (self.fusion_to_c - self.fusion_from_c)
        end = self.solid_j_per_kg_k * self.fusion_from_c
        derive = object.__setattr__  # the usual way to fill a derived field of a frozen class
        derive(self, "solid_end_j_per_kg", end)
        derive(self, "melt_start_j_per_kg", end + self.fusion_j_per_kg + sensible_j_per_kg)

    def enthalpy(self, temp_c: float) -> float:
        """Specific enthalpy at a temperature.

        Parameters
        ----------
        temp_c : float
            Temperature of the material. [degC]

        Returns
        -------
        float
            Enthalpy above 0 degC. [J/kg]

        Source
        ------
        Definition of specific heat and heat of fusion.
        """
        if temp_c >= self.fusion_to_c:
            return self.melt_start_j_per_kg + self.melt_j_per_kg_k * (temp_c - self.fusion_to_c)
        if temp_c <= self.fusion_from_c:
            return self.solid_j_per_kg_k * temp_c
        share = (temp_c - self.fusion_from_c) / (self.fusion_to_c - self.fusion_from_c)
        return self.solid_end_j_per_kg + share * (
            self.melt_start_j_per_kg - self.solid_end_j_per_kg
        )

    def temperature(self, j_per_kg: float) -> float:
        """Temperature at a specific enthalpy, the inverse of `enthalpy`.

        Parameters
        ----------
        j_per_kg : float
            Enthalpy above 0 degC. [J/kg]

        Returns
        -------
        float
            Temperature of the material. [degC]

        Source
        ------
        Definition of specific heat and heat of fusion.
        """
        start, end = self.melt_start_j_per_kg, self.solid_end_j_per_kg
        if j_per_kg >= start:
            return self.fusion_to_c + (j_per_kg - start) / self.melt_j_per_kg_k
        if j_per_kg <= end:
            return j_per_kg / self.solid_j_per_kg_k
        share = (j_per_kg - end) / (start - end)
        return self.fusion_from_c + share * (self.fusion_to_c - self.fusion_from_c)


@dataclass(frozen=True, slots=True)
class Lump:
    """One lump of the network; exactly one of the three capacities is not zero.

    Parameters
    ----------
    zone : int
        Index of the heat zone it belongs to.
    metal_j_per_k : float
        Heat capacity of a metal lump. [J/K]
    melt_kg : float
        Mass of a melt lump that is always full: hose, nozzle. [kg]
    charge_share : float
        Share of the charge that this lump holds; the shares of a network sum to 1. [1]
    loss_w_per_k : float
        Loss to the room in still air. [W/K]
    heater_share : float
        Share of its zone's heater power that enters here. [1]
    """

    zone: int
    metal_j_per_k: float = 0.0
    melt_kg: float = 0.0
    charge_share: float = 0.0
    loss_w_per_k: float = 0.0
    heater_share: float = 0.0


@dataclass(frozen=True, slots=True)
class Link:
    """A heat path between two lumps.

    Parameters
    ----------
    a, b : int
        Indices of the lumps.
    w_per_k : float
        Conductance with a full charge. [W/K]
    scales_with_fill : bool
        True inside the charge and at its wall: half a charge touches half the wall.
    """

    a: int
    b: int
    w_per_k: float
    scales_with_fill: bool = False


@dataclass(frozen=True, slots=True)
class Network:
    """Parameters of `transition`: what the cell is built of.

    Parameters
    ----------
    lumps : tuple of Lump
        All lumps.
    links : tuple of Link
        All heat paths.
    path : tuple of int
        Lumps that melt passes after the charge, in flow order, the tip last.
    sensor_lump : tuple of int
        Per zone the lump that its sensor touches.
    core_lump : int
        The slowest lump of the charge.
    melt : Melt
        The adhesive.
    full_charge_kg : float
        Mass of a full charge. [kg]
    wipe_w_per_k : float
        Extra loss at the tip while it is wiped. [W/K]
    max_flow_kg_per_s : float
        Largest melt flow the step length is made for. [kg/s]
    """

    lumps: tuple[Lump, ...]
    links: tuple[Link, ...]
    path: tuple[int, ...]
    sensor_lump: tuple[int, ...]
    core_lump: int
    melt: Melt
    full_charge_kg: float
    wipe_w_per_k: float
    max_flow_kg_per_s: float
    longest_step_s: float = field(init=False)
    metal_lumps: tuple[tuple[int, float], ...] = field(init=False, repr=False)
    melt_lumps: tuple[tuple[int, float], ...] = field(init=False, repr=False)
    charge_lumps: tuple[tuple[int, float], ...] = field(init=False, repr=False)
    losses: tuple[tuple[int, int, float], ...] = field(init=False, repr=False)
    dry_links: tuple[tuple[int, int, float], ...] = field(init=False, repr=False)
    charge_links: tuple[tuple[int, int, float], ...] = field(init=False, repr=False)
    heaters: tuple[tuple[int, int, float], ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        numbered = tuple(enumerate(self.lumps))
        derive = object.__setattr__
        derive(
            self, "metal_lumps", tuple((i, n.metal_j_per_k) for i, n in numbered if n.metal_j_per_k)
        )
        derive(self, "melt_lumps", tuple((i, n.melt_kg) for i, n in numbered if n.melt_kg))
        derive(
            self, "charge_lumps", tuple((i, n.charge_share) for i, n in numbered if n.charge_share)
        )
        derive(
            self,
            "losses",
            tuple((i, n.zone, n.loss_w_per_k) for i, n in numbered if n.loss_w_per_k),
        )
        derive(
            self,
            "heaters",
            tuple((i, n.zone, n.heater_share) for i, n in numbered if n.heater_share),
        )
        for name, scales in (("dry_links", False), ("charge_links", True)):
            some = [link for link in self.links if link.scales_with_fill is scales]
            derive(self, name, tuple((link.a, link.b, link.w_per_k) for link in some))
        derive(self, "longest_step_s", STEP_MARGIN * self._quickest_lump_s())

    def _quickest_lump_s(self) -> float:
        """Shortest time constant of any lump, with the strongest draft and flow. [s]."""
        least_j_per_kg_k = min(self.melt.solid_j_per_kg_k, self.melt.melt_j_per_kg_k)
        conductance = [n.loss_w_per_k * MAX_DRAFT for n in self.lumps]
        for link in self.links:
            conductance[link.a] += link.w_per_k
            conductance[link.b] += link.w_per_k
        for index in self.path:
            conductance[index] += self.max_flow_kg_per_s * self.melt.melt_j_per_kg_k
        if self.path:
            conductance[self.path[-1]] += self.wipe_w_per_k
        quickest_s = math.inf
        for lump, w_per_k in zip(self.lumps, conductance, strict=True):
            melt_kg = lump.melt_kg + lump.charge_share * self.full_charge_kg
            j_per_k = lump.metal_j_per_k + melt_kg * least_j_per_kg_k
            if w_per_k > 0.0:
                quickest_s = min(quickest_s, j_per_k / w_per_k)
        return quickest_s


@dataclass(frozen=True, slots=True)
class Inputs:
    """What acts on the cell during one step.

    Parameters
    ----------
    heater_w : tuple of float
        Electrical power per zone. [W]
    draft : tuple of float
        Multiplier on the losses of each zone, 1 in still air. [1]
    ambient_c : float
        Room temperature. [degC]
    flow_kg_per_s : float
        Melt leaving the tip. [kg/s]
    is_wiping : bool
        Whether a cold cloth touches the tip.
    """

    heater_w: tuple[float, ...]
    draft: tuple[float, ...]
    ambient_c: float
    flow_kg_per_s: float = 0.0
    is_wiping: bool = False


@dataclass(frozen=True, slots=True)
class State:
    """Energy of every lump above 0 degC, mass of the charge, and the energy books.

    Parameters
    ----------
    energy_j : tuple of float
        Per lump. [J]
    charge_kg : float
        Mass in the reservoir. [kg]
    heater_j, loss_j, melt_in_j, melt_out_j : float
        Booked since the beginning: from heaters, to the room, with filled and with dispensed
        or removed melt. [J]
    """

    energy_j: tuple[float, ...]
    charge_kg: float
    heater_j: float = 0.0
    loss_j: float = 0.0
    melt_in_j: float = 0.0
    melt_out_j: float = 0.0


def initial_state(
    net: Network, *, zone_c: tuple[float, ...], charge_c: float, charge_kg: float
) -> State:
    """State with every zone at one temperature and the charge at its own.

    Parameters
    ----------
    net : Network
        The cell.
    zone_c : tuple of float
        Temperature per zone. [degC]
    charge_c : float
        Temperature of the charge. [degC]
    charge_kg : float
        Mass of the charge. [kg]

    Returns
    -------
    State
        With empty books.
    """
    energy_j = []
    for lump in net.lumps:
        if lump.charge_share:
            energy_j.append(lump.charge_share * charge_kg * net.melt.enthalpy(charge_c))
        elif lump.melt_kg:
            energy_j.append(lump.melt_kg * net.melt.enthalpy(zone_c[lump.zone]))
        else:
            energy_j.append(lump.metal_j_per_k * zone_c[lump.zone])
    return State(energy_j=tuple(energy_j), charge_kg=charge_kg)


def temperatures(state: State, net: Network) -> list[float]:
    """Temperature of every lump.

    Parameters
    ----------
    state : State
        The cell's state.
    net : Network
        What it is built of.

    Returns
    -------
    list of float
        In the order of ``net.lumps``. [degC]
    """
    return _temperatures(state.energy_j, state.charge_kg, net)


def _temperatures(
    energy_j: tuple[float, ...] | list[float], charge_kg: float, net: Network
) -> list[float]:
    temp_c = [0.0] * len(energy_j)
    for i, j_per_k in net.metal_lumps:
        temp_c[i] = energy_j[i] / j_per_k
    # Nearly all melt is molten, nearly always: that branch of `Melt.temperature` costs no call.
    melt = net.melt
    start, molten_c, j_per_kg_k = melt.melt_start_j_per_kg, melt.fusion_to_c, melt.melt_j_per_kg_k
    for i, kg in net.melt_lumps:
        j_per_kg = energy_j[i] / kg
        if j_per_kg >= start:
            temp_c[i] = molten_c + (j_per_kg - start) / j_per_kg_k
        else:
            temp_c[i] = melt.temperature(j_per_kg)
    for i, share in net.charge_lumps:
        j_per_kg = energy_j[i] / (share * charge_kg)
        if j_per_kg >= start:
            temp_c[i] = molten_c + (j_per_kg - start) / j_per_kg_k
        else:
            temp_c[i] = melt.temperature(j_per_kg)
    return temp_c


def charge_mean(temp_c: list[float], net: Network) -> float:
    """Mass-weighted mean temperature of the charge.

    Parameters
    ----------
    temp_c : list of float
        Of every lump. [degC]
    net : Network
        The cell.

    Returns
    -------
    float
        Mean temperature. [degC]
    """
    return sum([share * temp_c[i] for i, share in net.charge_lumps])


def transition(
    state: State,
    inputs: Inputs,
    dt_s: float,
    net: Network,
    *,
    temp_c: list[float] | None = None,
) -> State:
    """The state one step later.

    Explicit Euler on energies, in as many equal sub-steps as the quickest lump needs, so that
    any ``dt_s`` is stable. Flows go pairwise, so nothing is lost between lumps.

    Parameters
    ----------
    state : State
        Before.
    inputs : Inputs
        Held constant over the step.
    dt_s : float
        Length of the step. [s]
    net : Network
        The cell.
    temp_c : list of float or None
        Temperatures of the state before, where they are already known. [degC]

    Returns
    -------
    State
        After.

    Source
    ------
    Conservation of energy; finite volumes for conduction, upwind for melt flow.
    """
    parts = max(1, math.ceil(dt_s / net.longest_step_s))
    step_s = dt_s / parts
    energy_j = list(state.energy_j)
    charge_kg = state.charge_kg
    heater_j, loss_j, out_j = state.heater_j, state.loss_j, state.melt_out_j
    for part in range(parts):
        if part or temp_c is None:
            temp_c = _temperatures(energy_j, charge_kg, net)
        power_w = [0.0] * len(energy_j)
        heater_j += step_s * _heat(power_w, inputs, net)
        loss_j += step_s * _lose(power_w, temp_c, inputs, net)
        _conduct(power_w, temp_c, charge_kg / net.full_charge_kg, net)
        if inputs.flow_kg_per_s > 0.0 and charge_kg > MIN_FILL * net.full_charge_kg:
            flowed_kg = inputs.flow_kg_per_s * step_s
            out_j += _flow(energy_j, temp_c, charge_kg, flowed_kg, net)
            charge_kg -= flowed_kg
        energy_j = [j + w * step_s for j, w in zip(energy_j, power_w, strict=True)]
    return State(tuple(energy_j), charge_kg, heater_j, loss_j, state.melt_in_j, out_j)


def _heat(power_w: list[float], inputs: Inputs, net: Network) -> float:
    """Add heater power to its lumps; returns the sum [W]."""
    total_w = 0.0
    for i, zone, share in net.heaters:
        w = inputs.heater_w[zone] * share
        power_w[i] += w
        total_w += w
    return total_w


def _lose(power_w: list[float], temp_c: list[float], inputs: Inputs, net: Network) -> float:
    """Take losses to the room off their lumps; returns the sum [W]."""
    total_w = 0.0
    ambient_c, draft = inputs.ambient_c, inputs.draft
    for i, zone, w_per_k in net.losses:
        w = w_per_k * draft[zone] * (temp_c[i] - ambient_c)
        power_w[i] -= w
        total_w += w
    if inputs.is_wiping:
        tip = net.path[-1]
        w = net.wipe_w_per_k * (temp_c[tip] - ambient_c)
        power_w[tip] -= w
        total_w += w
    return total_w


def _conduct(power_w: list[float], temp_c: list[float], fill: float, net: Network) -> None:
    """Exchange heat along the links."""
    for a, b, w_per_k in net.dry_links:
        w = w_per_k * (temp_c[a] - temp_c[b])
        power_w[a] -= w
        power_w[b] += w
    for a, b, w_per_k in net.charge_links:
        w = w_per_k * fill * (temp_c[a] - temp_c[b])
        power_w[a] -= w
        power_w[b] += w


def _flow(
    energy_j: list[float], temp_c: list[float], charge_kg: float, flowed_kg: float, net: Network
) -> float:
    """Move melt from the charge along the path and out; returns the energy that left [J]."""
    carried_j = 0.0
    share_out = flowed_kg / charge_kg
    for i, _ in net.charge_lumps:
        moved_j = energy_j[i] * share_out
        energy_j[i] -= moved_j
        carried_j += moved_j
    enthalpy = net.melt.enthalpy
    for i in net.path:
        leaving_j = flowed_kg * enthalpy(temp_c[i])
        energy_j[i] += carried_j - leaving_j
        carried_j = leaving_j
    return carried_j


def replace_charge(state: State, net: Network, *, charge_c: float, charge_kg: float) -> State:
    """The old charge out, a new one in: what a fresh syringe does.

    Parameters
    ----------
    state : State
        Before.
    net : Network
        The cell.
    charge_c : float
        Temperature of the new charge. [degC]
    charge_kg : float
        Its mass. [kg]

    Returns
    -------
    State
        After, with both charges in the books.
    """
    energy_j = list(state.energy_j)
    out_j = in_j = 0.0
    j_per_kg = net.melt.enthalpy(charge_c)
    for i, share in net.charge_lumps:
        out_j += energy_j[i]
        energy_j[i] = share * charge_kg * j_per_kg
        in_j += energy_j[i]
    return State(
        tuple(energy_j),
        charge_kg,
        state.heater_j,
        state.loss_j,
        state.melt_in_j + in_j,
        state.melt_out_j + out_j,
    )


def refill(state: State, net: Network, *, charge_c: float, charge_kg: float) -> State:
    """Melt added to what is there: what a tank top-up does.

    Parameters
    ----------
    state : State
        Before.
    net : Network
        The cell.
    charge_c : float
        Temperature of what is added. [degC]
    charge_kg : float
        Mass of what is added. [kg]

    Returns
    -------
    State
        After, with the addition in the books.
    """
    energy_j = list(state.energy_j)
    in_j = 0.0
    j_per_kg = net.melt.enthalpy(charge_c)
    for i, share in net.charge_lumps:
        added_j = share * charge_kg * j_per_kg
        energy_j[i] += added_j
        in_j += added_j
    return State(
        tuple(energy_j),
        state.charge_kg + charge_kg,
        state.heater_j,
        state.loss_j,
        state.melt_in_j + in_j,
        state.melt_out_j,
    )


def holding_power(
    net: Network, *, zone_c: tuple[float, ...], ambient_c: float
) -> tuple[float, ...]:
    """Power per zone that roughly holds the zones at their temperatures, nothing flowing.

    Every lump counts as having its zone's temperature, which overstates the loss of a tip by a
    few per cent; a controller trims the rest.

    Parameters
    ----------
    net : Network
        The cell.
    zone_c : tuple of float
        Temperature per zone. [degC]
    ambient_c : float
        Room temperature. [degC]

    Returns
    -------
    tuple of float
        Per zone. [W]

    Source
    ------
    Steady energy balance of each zone.
    """
    power_w = [0.0] * len(zone_c)
    for lump in net.lumps:
        power_w[lump.zone] += lump.loss_w_per_k * (zone_c[lump.zone] - ambient_c)
    for link in net.links:
        a, b = net.lumps[link.a].zone, net.lumps[link.b].zone
        w = link.w_per_k * (zone_c[a] - zone_c[b])
        power_w[a] += w
        power_w[b] -= w
    return tuple(power_w)


def cylinder_links(
    *,
    first_lump: int,
    wall_lump: int,
    rings: int,
    radius_m: float,
    length_m: float,
    w_per_m_k: float,
    wall_w_per_m2_k: float,
) -> tuple[Link, ...]:
    """Heat paths of a cylinder cut into rings of equal thickness, and to its wall.

    Between neighbouring rings the conductance is 2 pi k L r_face / dr. The outermost ring
    reaches the wall through half its thickness and the wall coefficient in series.

    Parameters
    ----------
    first_lump : int
        Index of the innermost ring; the others follow it.
    wall_lump : int
        Index of the block around the cylinder.
    rings : int
        Number of rings.
    radius_m, length_m : float
        Size of the cylinder. [m]
    w_per_m_k : float
        Conductivity of the adhesive. [W/(m K)]
    wall_w_per_m2_k : float
        Coefficient between block and adhesive. [W/(m2 K)]

    Returns
    -------
    tuple of Link
        From the inside out, the wall last.

    Source
    ------
    Fourier's law, finite volumes.
    """
    thickness_m = radius_m / rings
    links = [
        Link(
            first_lump + i,
            first_lump + i + 1,
            2.0 * math.pi * w_per_m_k * length_m * (i + 1),
            scales_with_fill=True,
        )
        for i in range(rings - 1)
    ]
    area_m2 = 2.0 * math.pi * radius_m * length_m
    resistance = 1.0 / wall_w_per_m2_k + 0.5 * thickness_m / w_per_m_k
    links.append(
        Link(first_lump + rings - 1, wall_lump, area_m2 / resistance, scales_with_fill=True)
    )
    return tuple(links)


def ring_shares(rings: int) -> tuple[float, ...]:
    """Share of a cylinder's mass in each of its rings of equal thickness, inside out.

    Parameters
    ----------
    rings : int
        Number of rings.

    Returns
    -------
    tuple of float
        Sums to 1. [1]

    Source
    ------
    Area of an annulus.

    Examples
    --------
    >>> ring_shares(2)
    (0.25, 0.75)
    """
    return tuple((2 * i + 1) / rings**2 for i in range(rings))


def chain(lumps: tuple[int, ...], w_per_k: float) -> tuple[Link, ...]:
    """Equal heat paths from each lump to the next.

    Parameters
    ----------
    lumps : tuple of int
        Indices in order.
    w_per_k : float
        Conductance of each path. [W/K]

    Returns
    -------
    tuple of Link
        One fewer than lumps.
    """
    return tuple(Link(a, b, w_per_k) for a, b in pairwise(lumps))
