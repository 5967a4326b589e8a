"""The table of units: round trips, meanings that must not be confused, refusals that say what is known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gridfit import units
from gridfit.errors import InputError

PAIRS = [(name, dimension) for dimension in units.ACCEPTED for name in units.units_for(dimension)]


@given(
    st.sampled_from(PAIRS),
    st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=20),
)
def test_there_and_back(pair: tuple[str, str], values: list[float]):
    name, dimension = pair
    there = units.to_si(values, name, dimension)
    assert there.dtype == np.float64
    np.testing.assert_allclose(units.from_si(there, name, dimension), values, rtol=1e-12, atol=1e-9)


# NIST SP 811 (2008), appendix B.8: mile per hour 4.4704 E-01 m/s, knot 5.144444 E-01, foot per second
# 3.048 E-01, psi 6.894757 E+03 Pa, standard gravity 9.80665 m/s2; Fahrenheit to kelvin (t + 459.67)/1.8.
@pytest.mark.parametrize(
    ("value", "name", "dimension", "si"),
    [
        (1.0, "mph", "speed", 0.44704),
        (1.0, "knot", "speed", 0.5144444),
        (1.0, "ft/s", "speed", 0.3048),
        (1.0, "psi", "pressure", 6894.757),
        (1.0, "g", "acceleration", 9.80665),
        (212.0, "degF", "temperature", 373.15),
        (100.0, "degC", "temperature", 373.15),
        (36.0, "km/h", "speed", 10.0),
        (180.0, "deg", "angle", np.pi),
        (2.0 * np.pi, "rad/s", "rotation", 60.0),
    ],
)
def test_factors_as_published(value: float, name: str, dimension: str, si: float):
    assert units.to_si([value], name, dimension)[0] == pytest.approx(si, rel=1e-7)


@pytest.mark.parametrize("name", ["KM/H", " km/h ", "[km/h]", "kph", "kmh", "(KPH)"])
def test_a_name_is_known_in_any_dress(name: str):
    assert units.parse(name, "speed").name == "km/h"


def test_a_share_is_kept_as_per_cent_or_as_a_fraction():
    assert units.to_si([25.0], "%", "percent")[0] == pytest.approx(25.0)
    assert units.to_si([0.25], "0..1", "percent")[0] == pytest.approx(25.0)
    assert units.to_si([25.0], "%", "fraction")[0] == pytest.approx(0.25)


def test_no_name_means_two_things():
    keys = [key for unit in units.UNITS for key in {unit.name.lower(), *unit.aliases}]
    assert len(keys) == len(set(keys))
    assert not set(keys) & set(units.AMBIGUOUS)


@pytest.mark.parametrize(
    ("name", "dimension", "words"),
    [
        ("kmm/h", "speed", ["did you mean 'km/h'", "mph"]),
        ("m", "time", ["may mean", "minute"]),
        ("g", "speed", ["measures acceleration", "m/s, km/h"]),
        ("V", "fraction", ["sensor voltage"]),
        ("furlong", "speed", ["not known", "ft/s"]),
        ("-", "fraction", ["measures number", "0..1"]),
    ],
)
def test_refusals(name: str, dimension: str, words: list[str]):
    with pytest.raises(InputError) as caught:
        units.to_si([1.0], name, dimension, where="channels.toml:7 time.unit")
    text = str(caught.value)
    assert text.startswith(f'channels.toml:7 time.unit = "{name}"')
    for word in words:
        assert word in text


def test_show():
    assert units.show(13.456, "km/h", 3) == "13.5 km/h"
    assert units.show(2.0, "-") == "2"
