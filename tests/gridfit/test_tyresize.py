"""Reading size codes as people write them, and refusing what is none."""

import pytest

from gridfit import tyresize
from gridfit.errors import InputError


@pytest.mark.parametrize(
    "code", ["245/40R18", "245/40 R18", " 245/40ZR18 97Y", "P245/40R18", "245 / 40 r 18", "245/40-18"]
)
def test_ways_to_write_one_size(code):
    assert tyresize.parse(code) == tyresize.TyreSize(245.0, 40.0, 18.0)


@pytest.mark.parametrize(
    ("code", "named"),
    [
        ("18 inch", "18 inch"),
        ("245/40", "245/40"),
        ("24/40R18", "24/40R18"),
        ("245/40R81", "rim = 81"),
        ("945/40R18", "width = 945"),
        ("245/10R18", "aspect = 10"),
        ("245/40R18extra", "extra"),
    ],
)
def test_what_is_no_size_is_refused_with_the_text_and_an_example(code, named):
    with pytest.raises(InputError) as caught:
        tyresize.parse(code, "car.toml:31 [tyre] size")
    assert named in str(caught.value)
    assert "car.toml:31" in str(caught.value)
    assert "245/40R18" in str(caught.value)
    assert caught.value.exit_code == 3


def test_circumference_radius_and_revolutions_agree():
    size = tyresize.parse("265/35R18")
    assert size.rolling_circumference_m * size.revolutions_per_km == pytest.approx(1000)
    assert size.rolling_radius_m == pytest.approx(tyresize.ROLLING_OVER_NOMINAL * size.nominal_diameter_m / 2)
    assert 0.96 <= tyresize.ROLLING_OVER_NOMINAL <= 0.98  # ETRTO practice, from memory
