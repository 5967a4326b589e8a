"""A car sheet as the contract shows it is read whole; what is missing is stood in for and named."""

from pathlib import Path

import numpy as np
import pytest
from cases.goodcar import CAR, swap, write_all

from gridfit.carsheet import read_carsheet
from gridfit.cartables import SECTIONS, STAND_INS
from gridfit.errors import InputError

# The file's form as it is documented for owners; a question mark says that the key may be missing.
DOCUMENTED = """
[car]        name, drive, mass_kg, wheelbase_m, track_m, front_weight_pct, cg_height_m?, cda_m2?
[engine]     rpm, torque_nm, cylinders, idle_rpm, limit_rpm, inertia_kgm2?, cut
[gearbox]    ratios, final_drive, efficiency?
[tyre]       size, compound, mu?
[sensors]    teeth_driven, teeth_undriven, log_hz
[controller] loop_hz, min_speed_kmh, throttle_gate_pct, driven_from?, undriven_from?, cut_step_pct?,
             cut_max_pct?, speed_breakpoints?, error_breakpoints?, free_breakpoints?, speed_columns?,
             error_columns?, speed_step?, error_step_pct?, units?
"""


def documented_keys() -> dict[str, bool]:
    """Return every documented key and whether it may be missing."""
    keys, section = {}, ""
    for word in DOCUMENTED.replace(",", " ").split():
        if word.startswith("["):
            section = word.strip("[]")
        else:
            keys[f"{section}.{word.rstrip('?')}"] = word.endswith("?")
    return keys


def good(tmp_path: Path) -> Path:
    return write_all(tmp_path) / "car.toml"


def without(path: Path, keys: list[str]) -> Path:
    """Take optional keys out of the file."""
    lines = path.read_text().split("\n")
    path.write_text("\n".join(line for line in lines if line.split(" = ")[0] not in keys))
    return path


def test_the_model_has_exactly_the_documented_keys():
    modelled = {f"{name}.{key}" for name, table in SECTIONS.items() for key in table.model_fields}
    assert modelled == set(documented_keys())


def test_exactly_the_keys_with_a_question_mark_may_be_missing():
    assert set(STAND_INS) == {key for key, optional in documented_keys().items() if optional}


def test_a_full_sheet_is_read_as_written(tmp_path: Path):
    sheet = read_carsheet(good(tmp_path))
    assert sheet.stood_in == {}
    assert (sheet.car.name, sheet.driven, sheet.gears) == ("willow", "rear", 6)
    assert sheet.engine.torque_nm[3] == 262.0
    assert sheet.gearbox.ratios == (3.63, 2.19, 1.54, 1.21, 1.0, 0.82)
    np.testing.assert_array_equal(sheet.speed_breakpoints_kmh, [20, 40, 60, 80, 120, 180])


def test_what_is_missing_is_stood_in_for_and_named(tmp_path: Path):
    optional = [key.split(".")[1] for key in STAND_INS]
    sheet = read_carsheet(without(good(tmp_path), optional))
    assert set(sheet.stood_in) == set(STAND_INS)
    for dotted, item in sheet.stood_in.items():
        section, key = dotted.split(".")
        assert getattr(getattr(sheet, section), key) == item.value
        assert item.reason
    assert sheet.controller.driven_from == "mean"
    assert sheet.controller.cut_max_pct == 100.0


def test_engine_inertia_grows_with_torque(tmp_path: Path):
    path = without(good(tmp_path), ["inertia_kgm2"])
    small = read_carsheet(path).engine.inertia_kgm2
    swap(
        path,
        "torque_nm = [180, 215, 240, 262, 258, 241, 210]",
        "torque_nm = [360, 430, 480, 524, 516, 482, 420]",
    )
    # 0.00045 kg.m2 per N.m: rule of thumb, no source; rounded to a thousandth.
    assert small == pytest.approx(0.00045 * 262.0, abs=0.0005)
    assert read_carsheet(path).engine.inertia_kgm2 == pytest.approx(0.00045 * 524.0, abs=0.0005)


def test_breakpoints_in_miles_per_hour_come_back_in_kilometres(tmp_path: Path):
    path = good(tmp_path)
    swap(path, 'units = "km/h"', 'units = "mph"')
    # 1 mile = 1.609344 km, exact (NIST SP 811).
    expected = np.array([20, 40, 60, 80, 120, 180]) * 1.609344
    np.testing.assert_allclose(read_carsheet(path).speed_breakpoints_kmh, expected)


def test_default_breakpoints_are_round_in_the_controllers_unit(tmp_path: Path):
    path = without(good(tmp_path), ["speed_breakpoints", "units"])
    path.write_text(path.read_text() + 'units = "mph"\n')
    mph = read_carsheet(path).speed_breakpoints_kmh / 1.609344
    np.testing.assert_allclose(mph, np.round(mph), atol=1e-9)


def test_the_step_of_a_speed_in_miles_per_hour_comes_back_in_kilometres(tmp_path: Path):
    path = good(tmp_path)
    swap(path, 'units = "km/h"', 'units = "mph"')
    assert read_carsheet(path).controller.speed_step == pytest.approx(5 * 1.609344)


def test_the_table_has_room_for_the_breakpoints_given_unless_told(tmp_path: Path):
    path = without(good(tmp_path), ["speed_columns", "error_columns", "error_breakpoints"])
    controller = read_carsheet(path).controller
    assert (controller.speed_columns, controller.error_columns) == (6, 7)


def test_usual_breakpoints_fit_a_smaller_table(tmp_path: Path):
    path = without(good(tmp_path), ["speed_breakpoints", "error_breakpoints"])
    swap(path, "speed_columns = 8", "speed_columns = 4")
    sheet = read_carsheet(path)
    np.testing.assert_array_equal(sheet.speed_breakpoints_kmh, [20, 50, 100, 200])
    np.testing.assert_array_equal(sheet.error_breakpoints_pct, [0, 2, 5, 15, 20, 30])


@pytest.mark.parametrize("word", ["faster", "fastest", "max"])
def test_the_faster_side_has_three_names(tmp_path: Path, word: str):
    path = good(tmp_path)
    swap(path, 'driven_from = "mean"\nundriven', f'driven_from = "{word}"\nundriven')
    assert read_carsheet(path).controller.driven_from == "faster"


def test_all_faults_come_together(tmp_path: Path):
    path = good(tmp_path)
    for old, new in (("mass_kg = 1230", "mass_kg = 1"), ("idle_rpm = 850", "idle_rpm = 8"), ('"hard"', '""')):
        swap(path, old, new)
    with pytest.raises(InputError) as caught:
        read_carsheet(path)
    assert [problem.what for problem in caught.value.problems] == ["mass_kg", "idle_rpm", "compound"]


def test_line_numbers_are_right_with_comments_crlf_and_lists_over_lines(tmp_path: Path):
    path = tmp_path / "car.toml"
    text = "# my car\n\n" + CAR.replace("[1000, 2000,", "[1000,\n  2000,").replace(
        "idle_rpm = 850", "idle_rpm = 85"
    )
    path.write_bytes(text.replace("\n", "\r\n").encode())
    with pytest.raises(InputError) as caught:
        read_carsheet(path)
    number = int(caught.value.problems[0].where.split(":")[1].split(" ")[0])
    assert text.split("\n")[number - 1] == "idle_rpm = 85"


def test_a_byte_order_mark_does_no_harm(tmp_path: Path):
    path = tmp_path / "car.toml"
    path.write_bytes(b"\xef\xbb\xbf" + CAR.encode())
    assert read_carsheet(path).car.mass_kg == 1230.0


def test_the_digest_is_of_the_bytes(tmp_path: Path):
    one, two = good(tmp_path / "a"), good(tmp_path / "b")
    same = read_carsheet(one).sha256 == read_carsheet(two).sha256
    two.write_text(two.read_text() + "\n")
    assert (same, read_carsheet(one).sha256 == read_carsheet(two).sha256) == (True, False)


def test_the_dict_tells_all_tables_and_stand_ins(tmp_path: Path):
    sheet = read_carsheet(without(good(tmp_path), ["mu"]))
    told = sheet.to_dict()
    assert set(told) == {*SECTIONS, "stood_in"}
    assert told["stood_in"] == {"tyre.mu": {"value": 1.0, "reason": sheet.stood_in["tyre.mu"].reason}}


def test_a_sheet_cannot_be_changed(tmp_path: Path):
    sheet = read_carsheet(good(tmp_path))
    with pytest.raises(ValueError, match="frozen"):
        sheet.car.mass_kg = 1.0
