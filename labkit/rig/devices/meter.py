"""What an ohmmeter shows between the jack's tip and sleeve, with its interval.

At direct current a capacitor is open and an inductance a wire; what is left are the resistances of coils, tracks and
resistors. How much a reading moves with each of them is the share of the power that it takes from the meter's current
(Tellegen's theorem), so one solution of the network gives the reading and its interval.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from labkit.circuit.elements import (
    GROUND,
    Buffer,
    Circuit,
    Contact,
    ControlledCurrent,
    ControlledVoltage,
    Inductor,
    Resistor,
    Source,
)
from labkit.core.errors import InputError, did_you_mean
from labkit.core.joined import Joined
from labkit.core.sourced import Interval
from labkit.pickup.electrical import Pickup
from labkit.rig.parts.parts import FixedResistor, Position, Pot
from labkit.rig.rig import Rig

OPEN_OHM = 20e6
"""From here up a hand-held meter shows an open line (common practice, no source)."""
SHORT_OHM = 10.0
"""Up to here it beeps (common practice, no source)."""
COIL_TOLERANCE = 0.05
"""Of a coil whose resistance is stated: bounds of ±5 % as usual for windings (common practice, no source)."""
RESISTOR_TOLERANCE = 0.05
"""Of a resistor (common practice, no source)."""
METER_TOLERANCE = 0.01
"""Of the meter, its leads and the room's temperature together (common practice, no source)."""
_LEAST_OHM = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class JackReading:
    """A reading between tip and sleeve.

    Attributes
    ----------
    ohms : float, Ω
        Infinite where no current flows.
    shares : mapping of str to float
        Relative change of the reading with that of each pickup, pot or resistor, by its name.
    """

    ohms: float
    shares: Mapping[str, float] = field(default_factory=dict)

    @property
    def is_open(self) -> bool:
        """Say whether a meter shows an open line."""
        return self.ohms >= OPEN_OHM

    @property
    def is_short(self) -> bool:
        """Say whether a meter beeps."""
        return self.ohms <= SHORT_OHM

    def interval(self, tolerances: Mapping[str, float]) -> Interval:
        """Return the reading with its bounds, Ω, from the tolerances of the parts (`tolerances_of`) and the meter's."""
        parts = [share * tolerances.get(name, 0.0) for name, share in self.shares.items()]
        wide = math.sqrt(METER_TOLERANCE**2 + sum(part**2 for part in parts))
        return Interval(value=self.ohms, low=self.ohms * math.exp(-wide), high=self.ohms * math.exp(wide))


def tolerances_of(rig: Rig, *, coils: Mapping[str, float] | None = None) -> dict[str, float]:
    """Return the relative tolerance of every resistance of a rig, by the names that `JackReading.shares` uses.

    Parameters
    ----------
    rig : Rig
    coils : mapping of str to float, optional
        Tolerance of the pickups' resistance by slot, where it is not ±5 %.
    """
    found = {slot: (coils or {}).get(slot, COIL_TOLERANCE) for slot in rig.pickups}
    for part in rig.harness.parts.values():
        if isinstance(part, Pot):
            found[part.name] = part.tolerance
        elif isinstance(part, FixedResistor):
            found[part.name] = RESISTOR_TOLERANCE
        else:
            found[part.name] = COIL_TOLERANCE
    return found


def jack_reading(rig: Rig, settings: Mapping[str, Position] | None = None) -> JackReading | None:
    """Return what a meter shows at the jack with nothing plugged in.

    Parameters
    ----------
    rig : Rig
        Its chain is left out.
    settings : mapping of str to float or str, optional
        Positions that differ from the rig's own.

    Returns
    -------
    JackReading or None
        None where a buffer or amplifier stands at the jack: what a meter shows of it is not modelled.

    Notes
    -----
    The coils are at 20 °C and still; a meter's current is taken as small, and contacts and wire as 0 Ω.

    >>> from labkit.rig.sheet import load_rig
    >>> reading = jack_reading(load_rig("Saltmarsh Lane, narrow single coil"))
    >>> 5500 < reading.ohms < 6000
    True
    """
    bare = rig.replace(chain=(), settings=settings)
    return _reading(bare.circuit, bare.harness.output)


def _reading(circuit: Circuit, tip: str) -> JackReading | None:
    joined: Joined[str] = Joined([(GROUND,)])
    resistors: list[Resistor] = []
    active: list[str] = []
    for element in circuit.elements:
        if isinstance(element, Inductor | Source) or (isinstance(element, Contact) and element.closed):
            joined.join(*element.nodes)
        elif isinstance(element, Resistor):
            resistors.append(element)
        elif isinstance(element, Buffer | ControlledVoltage | ControlledCurrent):
            active += element.nodes
    ground, start = joined.root(GROUND), joined.root(tip)
    resistors = [each for each in resistors if math.isfinite(each.resistance)]
    reached = Joined([tuple(joined.root(node) for node in each.nodes) for each in resistors])
    if any(joined.root(node) != ground and reached.same(joined.root(node), start) for node in active):
        return None
    if start == ground:
        return JackReading(ohms=0.0)
    if not reached.same(start, ground):
        return JackReading(ohms=math.inf)
    index: dict[str, int] = {}
    ends, ohms, names = [], [], []
    for resistor in resistors:
        one, other = (joined.root(node) for node in resistor.nodes)
        if one != other and reached.same(one, start):  # what hangs loose carries nothing
            ends.append([-1 if node == ground else index.setdefault(node, len(index)) for node in (one, other)])
            ohms.append(max(resistor.resistance, _LEAST_OHM))
            names.append(resistor.name.partition(".")[0])
    incidence = np.zeros((len(index) + 1, len(ends)))
    for column, (one_end, other_end) in enumerate(ends):
        incidence[one_end, column] += 1
        incidence[other_end, column] -= 1
    incidence = incidence[:-1]
    resistance = np.array(ohms)
    matrix = (incidence / resistance) @ incidence.T
    drive = np.zeros(len(index))
    drive[index[start]] = 1.0
    volts = np.linalg.solve(matrix, drive)
    power = (volts @ incidence) ** 2 / resistance
    whole = float(volts[index[start]])
    shares: dict[str, float] = {}
    for name, part in zip(names, power / whole):
        shares[name] = shares.get(name, 0.0) + float(part)
    return JackReading(ohms=whole, shares={name: part for name, part in shares.items() if part > 1e-6})


def with_resistances(rig: Rig, ohms: Mapping[str, float]) -> Rig:
    """Return a rig whose pickups read other DC resistances at their leads, Ω, by slot; two coils keep their ratio.

    Raises
    ------
    InputError
        If a slot is none of the rig's, or a resistance is not above zero.
    """
    pickups: dict[str, Pickup] = {}
    for slot, value in ohms.items():
        if slot not in rig.pickups:
            raise InputError(f"there is no pickup '{slot}' in this wiring.{did_you_mean(slot, rig.pickups)}")
        if not 0 < value < OPEN_OHM:
            raise InputError(f"pickup '{slot}': the resistance at its leads must be above 0 Ω; got {value:g} Ω")
        pickup = rig.pickups[slot]
        each = [coil.resistance for coil in pickup.coils.values()]
        factor = value / (sum(each) if pickup.connection == "series" else 1 / sum(1 / one for one in each))
        coils = {name: replace(coil, resistance=coil.resistance * factor) for name, coil in pickup.coils.items()}
        pickups[slot] = replace(pickup, coils=coils)
    return rig.replace(pickups=pickups)
