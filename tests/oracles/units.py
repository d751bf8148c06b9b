"""Pairs of units that a record may hold and a measure may ask for, with our own answers."""

from decimal import Decimal
from itertools import product

from careplan_bridge.files import shipped
from careplan_bridge.measures.units import UNITS, convert

# Valid UCUM that is none of the everyday units: prefixes, other systems, other dimensions, special and arbitrary units.
RARE = (
    "rad", "mrad", "gon", "circ", "[pi].rad", "sr", "deg/min", "rad/s",
    "um", "nm", "hm", "[mi_i]", "[nmi_i]", "[in_us]", "[ft_us]", "10*-2.m",
    "dag", "mg", "t", "[stone_av]", "[lb_tr]", "[gr]",
    "mN", "MN", "dyn", "g.m/s2", "kg.m/s2", "kg.m.s-2", "[oz_av].[g]",
    "us", "ns", "a", "mo", "mo_j", "10.s",
    "N/m", "W", "Pa", "bar", "mm[Hg]", "cal", "kcal", "eV", "N.m/s", "N/kg", "N.m.s", "kg/m2",
    "10*", "10*3", "[ppth]", "[ppm]", "%{of other side}", "dB", "Np", "[pH]", "B[SPL]",
    "Cel", "[degF]", "K", "mol", "cd", "A", "[iU]", "[arb'U]", "[CFU]", "[S]",
    "deg{active}", "N{peak}", "cm{girth}", "s{best}", "{degrees}", "{reps}", "{left}", "kg{body}",
)  # fmt: skip

# Not UCUM, though a person might write it.
WRONG = (
    "Nm",
    "degrees",
    "Deg",
    "sec",
    "inches",
    "lbs",
    "feet",
    "Grad",
    "Newton",
    "kilogram",
    "percent",
    "°",
    "N m",
    "cm.",
    "xyz",
)

# Where two conversions differ by less, only the number of binary digits differs.
AMOUNTS = (Decimal(1), Decimal("12.5"))


def wanted() -> list[str]:
    """The units of the catalogue's measures and qualifiers."""
    measures = shipped.catalogue().measures.values()
    units = {one.unit for one in measures} | {part.unit for one in measures for part in one.qualifiers}
    return sorted(unit for unit in units if unit)


def pairs() -> list[tuple[Decimal, str, str]]:
    known = [*UNITS, *RARE, *WRONG]
    return [(AMOUNTS[place % 2], *pair) for place, pair in enumerate(product(known, wanted()))]


def ours(pair: tuple[Decimal, str, str]) -> Decimal | None:
    return convert(*pair)
