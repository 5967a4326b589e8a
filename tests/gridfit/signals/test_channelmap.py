"""Channel maps and notes as documented are read; maps go out and come back the same."""

import datetime
from pathlib import Path

import pytest
from cases.goodcar import swap, write_all
from hypothesis import given
from hypothesis import strategies as st

from gridfit import units
from gridfit.errors import InputError
from gridfit.signals.channelmap import ChannelMap, FileTable, lacking, read_channel_map
from gridfit.signals.note import NoteTable, read_note
from gridfit.signals.run import ROLE_OF, Channel, RunNote

# Roles and keys as they are documented for people.
ROLES = """time speed_driven speed_undriven speed_fl speed_fr speed_rl speed_rr throttle rpm gear brake
lateral_acc longitudinal_acc steering cut slip slip_target lambda lap""".split()
NOTE_KEYS = {
    "compound": True,
    "date": True,
    "track": True,
    "track_temp_c": False,
    "grids": False,
    "notes": False,
}


def test_the_table_has_exactly_the_documented_roles():
    assert list(ROLE_OF) == ROLES


def test_every_role_has_a_column_of_its_own_and_a_known_dimension():
    columns = [role.column for role in ROLE_OF.values()]
    assert len(set(columns)) == len(columns)
    assert {role.dimension for role in ROLE_OF.values()} <= set(units.ACCEPTED)


def test_the_file_table_has_the_documented_keys():
    assert set(FileTable.model_fields) == {"delimiter", "units_row", "dbc", "bus"}


def test_the_note_has_the_documented_keys():
    assert {key: field.is_required() for key, field in NoteTable.model_fields.items()} == NOTE_KEYS


def test_a_map_is_read_as_written(tmp_path: Path):
    found = read_channel_map(write_all(tmp_path) / "channels.toml")
    assert (found.delimiter, found.units_row) == (",", False)
    assert found.channels["throttle"] == Channel("pedal", "%", 1.0)
    assert found.notes == {"gear": "0 while shifting"}
    assert list(found.channels) == [role for role in ROLES if role in found.channels]


def test_sub_tables_instead_of_inline_ones(tmp_path: Path):
    path = write_all(tmp_path) / "channels.toml"
    swap(path, 'gear = { column = "gear", unit = "-" }\n', '[channels.gear]\ncolumn = "gear"\nunit = "bar"\n')
    with pytest.raises(InputError, match=r"channels.toml:13 \[channels\] gear.unit = \"bar\""):
        read_channel_map(path)


printable = st.text(st.characters(min_codepoint=32, max_codepoint=0x2FF), min_size=1, max_size=12)
names = printable.map(str.strip).filter(bool)


@given(
    st.lists(names, min_size=len(ROLES), max_size=len(ROLES), unique=True),
    st.randoms(use_true_random=False),
    st.sampled_from([None, ",", ";", "\t"]),
    st.sampled_from([None, True, False]),
    names,
)
def test_a_map_comes_back_from_its_own_text(tmp_path_factory, columns, random, delimiter, units_row, note):
    channels = {
        role: Channel(column, random.choice(units.units_for(ROLE_OF[role].dimension)))
        for role, column in zip(ROLES, columns, strict=True)
    }
    path = tmp_path_factory.mktemp("map") / "channels.toml"
    made = ChannelMap(channels, delimiter, units_row, {"gear": note})
    path.write_text(made.to_toml(), encoding="utf-8")
    back = read_channel_map(path)
    assert (back.channels, back.delimiter, back.units_row) == (channels, delimiter, units_row)
    assert back.notes == {"gear": note}


def test_a_guess_says_in_its_text_how_sure_it_is():
    text = ChannelMap({"rpm": Channel("revs", "rpm", 0.42)}).to_toml()
    assert 'rpm = { column = "revs", unit = "rpm" }  # 42 % sure' in text


@pytest.mark.parametrize(
    ("roles", "missing"),
    [
        (["time", "throttle", "speed_driven", "speed_undriven"], []),
        (["time", "throttle", "speed_fl", "speed_fr", "speed_rl", "speed_rr"], []),
        (["time", "throttle", "speed_driven", "speed_rl", "speed_rr"], []),
        (["throttle", "speed_driven", "speed_undriven"], ["time"]),
        (["time", "speed_driven", "speed_undriven"], []),  # no throttle: read, but fit for inspect only
        (["speed_driven", "speed_fl"], ["time", "speed_undriven"]),
    ],
)
def test_what_every_log_needs(roles: list[str], missing: list[str]):
    assert [role for role, _ in lacking(roles)] == missing


def test_a_note_is_read_as_written(tmp_path: Path):
    write_all(tmp_path)
    expected = RunNote("hard", "2026-03-14", "Larch Hill", 21.5, "grids.json", "dry")
    assert read_note(tmp_path / "run1.csv") == expected


def test_a_missing_note_is_a_note_that_knows_nothing(tmp_path: Path):
    assert read_note(tmp_path / "run9.csv") == RunNote(compound="unknown")


@pytest.mark.parametrize(
    ("written", "date"),
    [
        ('"2026-03-14"', "2026-03-14"),
        ("2026-03-14", "2026-03-14"),
        ("2026-03-14T09:30:00", datetime.datetime(2026, 3, 14, 9, 30).isoformat()),
    ],
)
def test_dates_of_toml_and_dates_in_quotes(tmp_path: Path, written: str, date: str):
    write_all(tmp_path)
    swap(tmp_path / "run1.toml", "2026-03-14", written)
    assert read_note(tmp_path / "run1.csv").date == date


def test_a_whole_number_is_a_temperature_too(tmp_path: Path):
    write_all(tmp_path)
    swap(tmp_path / "run1.toml", "21.5", "21")
    assert read_note(tmp_path / "run1.csv").track_temp_c == 21.0
