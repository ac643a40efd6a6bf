"""The simulated bench: a source and instruments made of physics, down to the 8-bit samples."""

from harness.simulator.bench import SimulatedBench
from harness.simulator.environment import Environment
from harness.simulator.unit import FAULTS, SimulatedUnit, simulated_unit

__all__ = ["FAULTS", "Environment", "SimulatedBench", "SimulatedUnit", "simulated_unit"]
