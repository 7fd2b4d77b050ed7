"""The supply of a design as what hangs on it sees it: a voltage behind a resistance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from simwrap.amplifier.amplifier import as_amplifier
from simwrap.amplifier.supply_match import fed
from simwrap.circuits.circuit import Circuit
from simwrap.engine import DEFAULT, Run
from simwrap.faults.bed import Rail
from simwrap.simulation.simulate import all_at_rest

#: Resistance of a supply that the design doesn't describe [ohm]: a share of the load that it feeds.
_SOFT = 0.03


@dataclass(frozen=True)
class Supplied:
    """A channel at the voltage that its supply gives, and that supply.

    Attributes
    ----------
    circuit : Circuit
    voltage, resistance, capacitance : float
        With all channels on it [V], its slope [ohm], and what smooths it [F].
    ports : tuple of str
        What hangs on it.
    """

    circuit: Circuit
    voltage: float
    resistance: float
    capacitance: float
    ports: tuple[str, ...]

    def rail(self, circuit: Circuit, ports: tuple[str, ...], *, run: Run = DEFAULT) -> Rail | None:
        """Return the rail of a circuit some of whose ports hang on the supply; the rest of the load stays as it is.

        Parameters
        ----------
        circuit : Circuit
            At :attr:`voltage`.
        ports : tuple of str
            Those of its supply ports that hang on it.
        run : Run
        """
        if not ports:
            return None
        current = sum(all_at_rest(circuit, [f"{port}.current" for port in ports], run=run))
        return Rail(
            devices=tuple(circuit.supplies[port] for port in ports),
            voltage=self.voltage + self.resistance * current,
            resistance=self.resistance,
            capacitance=self.capacitance,
        )


def supplied(given: Any) -> Supplied:
    """Return a channel at the voltage of its supply, or at its stated one where it describes none, controls as set.

    Raises
    ------
    EngineError
        If there is no operating point.
    """
    amplifier = as_amplifier(given)
    design, circuit = amplifier.design, amplifier.circuit
    ports = tuple(port for port, _ in fed(design))
    if amplifier.supply is not None and amplifier.fed:
        assert design.supply is not None
        slope = float(amplifier.supply.supply.supply.output_resistance)
        values = design.supply.values
        farads = float(values.get("filter_capacitor", 0.0) or values.get("reservoir_capacitor", 0.0))
        return Supplied(circuit, amplifier.supply.voltage, slope, farads, ports)
    ports = ports or _highest(circuit)
    if not ports:
        return Supplied(circuit, 0.0, 1.0, 0.0, ())
    place = circuit.placed_ports[ports[0]]
    volts = float(circuit.values[f"{place.stage}.{place.port.supply}" if place.stage else place.port.supply])
    drawn = all_at_rest(circuit, [f"{port}.current" for port in ports], run=amplifier.run)
    current = design.channels * sum(drawn)
    return Supplied(circuit, volts, max(1.0, _SOFT * volts / max(current, 1e-3)), 0.0, ports)


def _highest(circuit: Circuit) -> tuple[str, ...]:
    """Return the supply ports that share the highest voltage."""
    volts = {
        port: float(circuit.values[f"{place.stage}.{place.port.supply}" if place.stage else place.port.supply])
        for port in circuit.supplies
        if (place := circuit.placed_ports[port]).port.supply
    }
    most = max(volts.values(), default=0.0)
    return tuple(port for port, value in volts.items() if most > 0.0 and value == most)


__all__ = ["Supplied", "supplied"]
