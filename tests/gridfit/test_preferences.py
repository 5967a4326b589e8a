"""Preferences as files: what is written is read back exactly, what is wrong is refused with line and remedy."""

import dataclasses
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gridfit.errors import CallError, InputError
from gridfit.preferences import MEANINGS, between, preference_of, to_toml
from gridfit.recovery import PREFERENCES, Preference
from pipelines.options import PREFERENCE_NAMES

weight = st.floats(0.0, 1000.0, allow_nan=False)
preferences = st.builds(
    Preference,
    name=st.text(st.characters(exclude_categories=("Cs",)), min_size=1, max_size=60),
    tail=st.floats(0.0, 1.0),
    **{key: weight for key in MEANINGS if key != "tail"},
).filter(lambda one: any(value for key, value in one.weights().items() if key != "tail"))


@pytest.fixture
def written(tmp_path):
    def write(text):
        path = tmp_path / "own.toml"
        path.write_bytes(text.encode())
        return str(path)

    return write


def test_the_command_line_names_them_all():
    assert set(PREFERENCE_NAMES) == set(PREFERENCES)


def test_every_weight_has_a_meaning():
    assert {field.name for field in dataclasses.fields(Preference)} == {"name", *MEANINGS}


@given(preferences)
def test_a_file_holds_the_preference_exactly(tmp_path_factory, own):
    path = tmp_path_factory.mktemp("preference") / "own.toml"
    path.write_bytes(to_toml(own).encode())
    assert tomllib.loads(to_toml(own))["name"] == own.name
    assert preference_of(str(path)) == own


@pytest.mark.parametrize("name", PREFERENCES)
def test_our_own_names_stay(name, written):
    assert preference_of(name) == PREFERENCES[name]
    assert preference_of(written(f'name = "x"\nbased_on = "{name}"\n')) == dataclasses.replace(
        PREFERENCES[name], name="x"
    )


def test_weights_that_are_left_out_come_from_the_ground(written):
    own = preference_of(written('name = "wet"\nbased_on = "calm"\n[weights]\njerk = 3\n'))
    assert own == dataclasses.replace(PREFERENCES["calm"], name="wet", jerk=3.0)


def test_sharpness_goes_from_calm_to_sharp_and_mixes_by_the_logarithm():
    for at, name in ((-1.0, "calm"), (0.0, "balanced"), (1.0, "sharp")):
        for key in MEANINGS:
            assert getattr(between(at), key) == getattr(PREFERENCES[name], key)
    # by hand: jerk 0.5 and 1.5, halfway sqrt(0.75); cut_swing 0 and 0.1, halfway 0.05
    assert between(-0.5).jerk == pytest.approx(0.75**0.5)
    assert between(-0.5).cut_swing == pytest.approx(0.05)


@given(st.floats(-1.0, 1.0), st.floats(-1.0, 1.0))
def test_sharper_never_weighs_roughness_more(one, other):
    low, high = sorted((one, other))
    for key in ("jerk", "reslips", "recovery", "lateral", "cut_swing"):
        assert getattr(between(high), key) <= getattr(between(low), key) * (1.0 + 1e-12)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('name = "x"\nbased_on = "clam"\n', "calm"),
        ('name = "x"\nsharpness = 2\n', "sharpness"),
        ('name = "x"\nbased_on = "calm"\nsharpness = 0.5\n', "only without based_on"),
        ("[weights]\njerk = 1\n", "name"),
        ('name = "x"\n[weights]\njerks = 1\n', "jerk"),
        ('name = "x"\n[weights]\njerk = -1\n', "jerk"),
        ('name = "x"\n[weights]\njerk = nan\n', "jerk"),
        ('name = "x"\n[weights]\ntail = 1.5\n', "tail"),
        ('name = "x"\n[weights]\njerk = "much"\n', "jerk"),
        ('name = "x"\nweights = 3\n', "must be a table"),
        ('name = "x"\nspeed = 3\n', "speed"),
        ('name = ""\n', "name"),
        ('name = "x"\n[weight]\njerk = 1\n', "own.toml:2 [weight]: unknown table; known are name, based_on"),
        ('name = "x"\n[weight]\njerk = 1\n', "Did you mean 'weights'?"),
        ('name = "x"\nbased_on = "clam"\n', '"balanced" or "calm" or "sharp"'),
        ('name = "calm"\n[weights]\njerk = 1\n', "Give it a name of your own"),
        ('name = "Calm"\n', "Give it a name of your own"),
        (
            'name = "x"\n[weights]\n' + "".join(f"{key} = 0\n" for key in MEANINGS),
            "at least one must be above 0",
        ),
        ('name = "x"\n[weights]\njerk = ' + "9" * 400 + "\n", "0 to 1000"),
        ("name = \n", "own.toml"),
    ],
)
def test_what_is_wrong_is_refused_with_file_and_reason(text, says, written):
    with pytest.raises(InputError) as caught:
        preference_of(written(text))
    assert says in str(caught.value)
    assert "own.toml" in str(caught.value)


def test_a_name_or_file_that_is_not_there_is_a_wrong_call(tmp_path):
    with pytest.raises(CallError):
        preference_of(str(tmp_path / "none.toml"))
    with pytest.raises(CallError, match="calm"):
        preference_of("clam")
