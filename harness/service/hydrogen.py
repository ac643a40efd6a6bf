"""Hydrogen that a lead-acid battery gives off when it is charged beyond full.

One ampere-hour through one cell splits water into 1/2 mol of hydrogen for each mol of electrons
(Faraday). It burns from 4 % in air; practice keeps it below 1 % (stored pages, read). A
valve-regulated battery recombines most of it unless it is overcharged or charged too fast.

References
----------
Worked examples 9.3 and 9.4: 0.46 L/Ah and cell; Q[L/s] = 0.017 x charging current x cells x factor
(1.0 vented, 0.2 valve-regulated), read.
"""

from __future__ import annotations

FARADAY_C_PER_MOL = 96485.33212
"""SI 2019: exact product of e and the Avogadro constant, to the digits given."""
GAS_J_PER_MOL_K = 8.314462618
ATMOSPHERE_PA = 101325.0
VENTILATION_L_PER_S_A = 0.017
"""For each ampere and cell: dilution and safety of worked example 9.4."""
VENTED, VALVE_REGULATED = 1.0, 0.2


def hydrogen_mol(charge_ah: float, cells: int = 1) -> float:
    """Give the hydrogen of a charge that goes all into gas, in mol."""
    return charge_ah * 3600.0 / (2.0 * FARADAY_C_PER_MOL) * cells


def hydrogen_litres(charge_ah: float, cells: int = 1, temperature_degc: float = 25.0) -> float:
    """Give its volume at one atmosphere."""
    kelvin = temperature_degc + 273.15
    return hydrogen_mol(charge_ah, cells) * GAS_J_PER_MOL_K * kelvin / ATMOSPHERE_PA * 1e3


def ventilation_l_per_s(charging_a: float, cells: int, factor: float = VENTED) -> float:
    """Give the air that keeps the hydrogen of a charging current below 1 %, with a safety of 5."""
    return VENTILATION_L_PER_S_A * charging_a * cells * factor
