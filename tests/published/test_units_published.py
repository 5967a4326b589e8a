"""Unit conversions against NIST SP 811; sources stand in data/units.toml."""

from gridfit import units

TABLES = {"conversion": ("units.toml", "conversion"), "pair": ("units.toml", "pair")}


def test_conversion_to_si_and_back(conversion, agrees):
    unit, quantity = conversion["unit"], conversion["quantity"]
    agrees(units.to_si(conversion["value"], unit, quantity), conversion["si"])
    agrees(
        units.from_si(float(units.to_si(conversion["value"], unit, quantity)), unit, quantity),
        conversion["value"],
    )


def test_speeds_between_the_two_systems(pair, agrees):
    si = units.to_si(pair["value"], pair["from"], "speed")
    agrees(units.from_si(si, pair["to"], "speed"), pair["answer"])


def test_constants(agrees):
    """CGPM 1901 and NIST SP 811, exact by definition (M)."""
    agrees(units.GRAVITY_MPS2, 9.80665)
    agrees(units.KMH_PER_MPH, 1.609344)
    agrees(units.MPS_PER_MPH, 0.44704)
    agrees(1 / units.RPM_PER_RADPS, "0.1047197551")
