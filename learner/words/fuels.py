"""Stoichiometric air/fuel ratios of fuels, from what they are made of.

lambda = (air / fuel) / stoichiometric ratio, so whoever logs AFR must know the fuel. Air is the
textbook's: 3.773 mol of "atmospheric nitrogen" (28.16 g/mol, argon in it) per mol of oxygen
(Heywood, Internal Combustion Engine Fundamentals, 1988, ch. 3; from memory).
"""

# IUPAC abridged atomic weights, g/mol.
CARBON = 12.011
HYDROGEN = 1.008
OXYGEN = 15.999
AIR_G_PER_MOL_OXYGEN = 2.0 * OXYGEN + 3.773 * 28.16

# Moles of hydrogen and oxygen per mole of carbon. Petrol, E5, E10 and E85 as in UN GTR 15 (draft of
# 2013; E10 from memory), the rest from their formulas.
FUELS: dict[str, tuple[float, float]] = {
    "petrol": (1.85, 0.0),
    "petrol-e5": (1.89, 0.016),
    "petrol-e10": (1.93, 0.033),
    "e85": (2.74, 0.385),
    "ethanol": (6.0 / 2.0, 1.0 / 2.0),
    "methanol": (4.0, 1.0),
    "propane": (8.0 / 3.0, 0.0),
    "methane": (4.0, 0.0),
}


def stoichiometric_afr(hydrogen_per_carbon: float, oxygen_per_carbon: float = 0.0) -> float:
    """kg of air per kg of fuel CHyOz: (1 + y/4 - z/2) mol of oxygen burn one mol of carbon.

    Raises ValueError for a composition that is no fuel.
    """
    y, z = hydrogen_per_carbon, oxygen_per_carbon
    oxygen = 1.0 + y / 4.0 - z / 2.0
    if not (y >= 0.0 and z >= 0.0 and oxygen > 0.0):
        raise ValueError(f"CH{y:g}O{z:g} needs no air: give hydrogen and oxygen per carbon")
    return oxygen * AIR_G_PER_MOL_OXYGEN / (CARBON + HYDROGEN * y + OXYGEN * z)


def afr_of(fuel: str) -> float:
    """kg of air per kg of a fuel of FUELS; KeyError for another name."""
    return stoichiometric_afr(*FUELS[fuel])
