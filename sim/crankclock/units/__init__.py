"""The edge where quantity text becomes SI floats, and back.

Inside the program every quantity is a float (or an array) in SI units: metres, radians, seconds,
kilograms, newtons, pascals; rates, spindle accelerations and gearings count turns. Text with units
exists only on this side of `read`, `show`, `write`, `to_unit` and `from_unit`.
"""

from crankclock.units.dimensions import DIMENSIONS, Dimension, System, UnitError
from crankclock.units.factors import from_unit, to_unit
from crankclock.units.reading import Quantity, Tolerance, read
from crankclock.units.writing import show, write

__all__ = [
    "DIMENSIONS",
    "Dimension",
    "Quantity",
    "System",
    "Tolerance",
    "UnitError",
    "from_unit",
    "read",
    "show",
    "to_unit",
    "write",
]
