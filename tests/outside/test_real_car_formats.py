"""One minute of a real car in eight file shapes: every reader gives the speeds that the data set's makers decoded.

Source: datasets/formats, from commaai/comma2k19 (MIT), whose own decoded wheel speeds stand in truth.npz.
"""

import hashlib
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from gridfit.signals import command, filters
from gridfit.signals.formats import read_columns
from gridfit.signals.rawlog import Hints, RawLog, Wanted

FORMATS = Path(__file__).parents[2] / "datasets" / "formats"
CORNERS = ("FL", "FR", "RL", "RR")
WANTED = (
    Wanted("time", "time", "test"),
    *(Wanted(f"WHEEL_SPEED_{corner}", "speed", "test") for corner in CORNERS),
    Wanted("RPM", "rotation", "test"),
)
KMH = 3.6
HALF_FLOAT32_KMH = 0.5 * float(np.spacing(np.float32(71.77)))
"""Half a unit in the last place of the fastest speed, as float32 holds it [km/h]."""
ROUNDED_KMH = 0.5e-4 * float(np.spacing(np.float32(71.77e4))) + HALF_FLOAT32_KMH
"""What rounding to four decimals in float32 adds: half a step of the speed times 10000, and of the speed [km/h]."""
NATIVE = {
    # file: resolution of the speed [km/h], of the time [s]
    "bus0.log.gz": (1e-9, 1.0e-6),  # two stamps, each rounded to whole microseconds
    "bus0_frames.mf4": (1e-9, 2.4e-7),  # stamps count from the day of writing: float64 of 1.8e9 s
    "signals_400.mf4": (HALF_FLOAT32_KMH, 1e-9),
    "signals_410_dz.mf4": (HALF_FLOAT32_KMH, 1e-9),
    "signals_410_tdz.mf4": (HALF_FLOAT32_KMH, 1e-9),
    "signals_long.parquet": (HALF_FLOAT32_KMH, 1e-9),
}
FIRST_FRAME_S = 0.00454916
"""From the log's first frame to the first frame with wheel speeds [s]; in the stamps of signals_long.parquet."""


def truth() -> tuple[np.ndarray, np.ndarray]:
    """Stamps from the log's first frame [s], and wheel speeds FL, FR, RL, RR [km/h]."""
    stored = np.load(FORMATS / "truth.npz")
    return stored["wheel_t"] - stored["wheel_t"][0] + FIRST_FRAME_S, stored["wheel_mps"] * KMH


def read(name: str) -> RawLog:
    return read_columns(FORMATS / name, WANTED)


def speeds(log: RawLog) -> np.ndarray:
    return np.stack([log.columns[f"WHEEL_SPEED_{corner}"] for corner in CORNERS], axis=1)


def test_the_files_are_the_ones_that_were_measured():
    listed = (FORMATS / "SHA256SUMS").read_text().split("\n")
    pairs = [line.split() for line in listed if line]
    assert len(pairs) == 13
    for digest, name in pairs:
        assert hashlib.sha256((FORMATS / name).read_bytes()).hexdigest() == digest, name


@pytest.mark.parametrize("name", NATIVE)
def test_files_at_their_own_rate_give_every_sample(name):
    resolution_kmh, resolution_s = NATIVE[name]
    time_s, wheel_kmh = truth()
    log = read(name)
    assert_allclose(speeds(log), wheel_kmh, rtol=0.0, atol=resolution_kmh)
    assert_allclose(log.columns["time"], time_s, rtol=0.0, atol=resolution_s + 5e-9)
    assert log.sha256 == hashlib.sha256((FORMATS / name).read_bytes()).hexdigest()
    assert log.units["WHEEL_SPEED_FL" if "parquet" not in name else "time"] in ("km/h", "s")


@pytest.mark.parametrize(
    ("name", "resolution_kmh"),
    [("signals_50hz.parquet", HALF_FLOAT32_KMH), ("signals_50hz.csv.gz", 0.5e-4 + ROUNDED_KMH)],
)
def test_files_at_50_hz_give_the_speeds_between(name, resolution_kmh):
    time_s, wheel_kmh = truth()
    log = read(name)
    expected = np.stack([np.interp(log.columns["time"], time_s, wheel_kmh[:, at]) for at in range(4)], axis=1)
    # Where the clock is good to 5e-9 s, a change of 36 km/h per s moves the speed by 2e-7 km/h.
    assert_allclose(speeds(log), expected, rtol=0.0, atol=resolution_kmh + HALF_FLOAT32_KMH + 2e-7)
    assert log.columns["time"].size == 3000


@pytest.mark.parametrize("name", NATIVE)
def test_a_channel_of_another_rate_is_interpolated_and_never_over_a_gap(name):
    whole, log = read("signals_long.parquet"), read(name)
    missing = np.isnan(log.columns["RPM"])
    assert_array_equal(missing, np.isnan(whole.columns["RPM"]))
    assert dict(log.remarks)["sample without RPM"] == missing.sum() == 3
    # 0.78125 rpm is a step of the message; the clocks differ by up to 1 us, the engine changes by < 1000 rpm/s.
    assert_allclose(log.columns["RPM"], whole.columns["RPM"], rtol=0.0, atol=1e-2, equal_nan=True)


def test_packed_frames_need_their_message_table(tmp_path):
    log = tmp_path / "bus0.log.gz"
    log.write_bytes((FORMATS / "bus0.log.gz").read_bytes())
    hints = Hints(dbc=FORMATS / "suv.dbc")
    assert_allclose(speeds(read_columns(log, WANTED, hints)), truth()[1], rtol=0.0, atol=1e-9)


# The numbers that are published with the data set's copy; each is recomputed here by gridfit's own functions.


def front_over_rear_pct(log: RawLog) -> np.ndarray:
    front = 0.5 * (log.columns["WHEEL_SPEED_FL"] + log.columns["WHEEL_SPEED_FR"])
    rear = 0.5 * (log.columns["WHEEL_SPEED_RL"] + log.columns["WHEEL_SPEED_RR"])
    return command.slip_pct(front, rear, 1.0)


@pytest.mark.parametrize("name", NATIVE)
def test_the_longest_gap(name):
    assert np.diff(read(name).columns["time"]).max() == pytest.approx(0.0265, abs=1e-3)


@pytest.mark.parametrize("name", NATIVE)
def test_the_bumps(name):
    slip_pct = front_over_rear_pct(read(name))
    assert slip_pct.max() == pytest.approx(7.74, abs=0.02)
    starts, ends = filters.intervals(slip_pct > 3.0)
    assert (ends - starts).max() == 3
