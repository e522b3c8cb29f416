"""Densities of what plates and pieces are made of, and the mass of a solid block.

A density is that of a usual grade; alloys differ by a few per cent and grey cast iron by more, so a mass worked out here is an
estimate: weigh what somebody is going to lift.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

MaterialName = Literal["aluminium", "steel", "stainless", "cast_iron", "titanium", "brass", "acetal"]


@dataclass(frozen=True, slots=True)
class Material:
    """A material: its density in kg/m³, and in words which grade it is and where the figure is from."""

    density: float
    words: str


MATERIALS: Final[dict[MaterialName, Material]] = {
    "aluminium": Material(2_700, "aluminium 6061: 2700 kg/m³ (handbooks and data sheets of the alloy)"),
    "steel": Material(7_850, "carbon steel: 7850 kg/m³ (handbooks; the usual figure of structural codes)"),
    "stainless": Material(7_900, "austenitic stainless steel: 7900 kg/m³ (handbooks, 7900 to 8000)"),
    "cast_iron": Material(7_200, "grey cast iron: 7200 kg/m³ (handbooks, 6600 to 7400)"),
    "titanium": Material(4_430, "titanium Ti-6Al-4V: 4430 kg/m³ (data sheets of the alloy, quoted from memory)"),
    "brass": Material(8_500, "free-cutting brass: 8500 kg/m³ (handbooks, 8400 to 8700, quoted from memory)"),
    "acetal": Material(1_410, "acetal copolymer (POM): 1410 kg/m³ (data sheets, quoted from memory)"),
}
"""Each material by its name in a plate check."""


def solid_mass(size_x: float, size_y: float, size_z: float, material: MaterialName) -> float:
    """The mass in kg of a solid block of `size_x` × `size_y` × `size_z` mm: volume × density; holes and pockets are not taken off."""
    return size_x * size_y * size_z * 1e-9 * MATERIALS[material].density
