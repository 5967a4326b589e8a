"""The block's loop is compiled to packed arithmetic: lanes next to each other are there for nothing else."""

import importlib.util
import platform
import re
from pathlib import Path

import numba
import numpy as np
import pytest
from llvmlite.binding import get_host_cpu_features

from gridfit.carsheet import read_carsheet
from gridfit.grids import common_practice
from gridfit.plant.prior import from_carsheet
from gridfit.recovery import WINDOW_S
from gridfit.simulate import kernel
from gridfit.simulate.batch import SEARCH_STEP_S, grid_rows
from gridfit.simulate.packing import gear_rows_of, loop_row, pack
from gridfit.simulate.scenarios import catalogue

# name of the instruction's arithmetic, then p or s (packed or of one number), then its registers
X86 = re.compile(r"^\s+v?(?:add|sub|mul|div|fn?m(?:add|sub)\d+)([ps])d\s+(.*)$", re.MULTILINE)
ARM = re.compile(r"^\s+f(?:add|sub|mul|div|mla|mls|madd|msub|nmadd|nmsub|nmul)\s+([vd]\d+.*)$", re.MULTILINE)
WIDTHS = (("zmm", 8), ("ymm", 4), ("xmm", 2))


def widths(asm):
    """Doubles in every arithmetic instruction of the assembly: 8, 4 or 2 packed, 1 alone."""
    if platform.machine().lower() in ("arm64", "aarch64"):
        return [2 if ".2d" in registers else 1 for registers in ARM.findall(asm)]
    return [
        1 if kind == "s" else next(lanes for name, lanes in WIDTHS if name in registers)
        for kind, registers in X86.findall(asm)
    ]


@pytest.fixture(scope="module")
def compiled(demo, tmp_path_factory):
    """Widths of the arithmetic of the kernel, and of the same source with one lane in a block."""
    sheet = read_carsheet(demo / "car.toml")
    plant = from_carsheet(sheet, np.random.default_rng(0), n_draws=1)
    scenarios = catalogue(sheet, plant, np.random.default_rng(1)).take([0])
    rows, gears = pack(sheet, plant.draws), len(sheet.gearbox.ratios)
    loop = loop_row(sheet, rows.rpm_step, step_s=SEARCH_STEP_S, window_s=WINDOW_S)
    source = Path(kernel.__file__).read_text()
    assert source.count("LANES = 16\n") == 1
    found = {}
    for lanes in (16, 1):
        # code that comes out of numba's cache has no assembly to show, so a file that no cache knows
        path = tmp_path_factory.mktemp("lanes") / f"kernel_of_{lanes}.py"
        path.write_text(source.replace("LANES = 16\n", f"LANES = {lanes}\n"))
        spec = importlib.util.spec_from_file_location(path.stem, path)
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        out = np.zeros((1, 1, 1, kernel.N_PARTS))
        module.run_blocks(
            0, 1, scenarios.values, gear_rows_of(scenarios.gear, gears), rows.car, rows.gears, rows.friction,
            rows.torque, loop, *grid_rows([common_practice(sheet)], gears), out,
            np.zeros((0, 0, 4)),
        )  # fmt: skip
        assert out[0, 0, 0, kernel.M_WINDOW] > 0.0
        found[lanes] = np.array(widths("\n".join(module.run_blocks.inspect_asm().values())))
    return found


@pytest.fixture(scope="module")
def packed():
    """Fewest doubles of an instruction that counts as packed: 256 bits where the processor has them."""
    machine = platform.machine().lower()
    if machine not in ("x86_64", "amd64", "arm64", "aarch64"):
        pytest.skip(f"assembly of {machine} is not read here")
    # numba may have been told to compile for another processor than this one
    return 4 if get_host_cpu_features().get("avx2", False) and not numba.config.CPU_NAME else 2


def test_most_arithmetic_of_the_block_is_packed(compiled, packed):
    found = compiled[16]
    # on wide registers 327 instructions, of 8 doubles each, against 551 of one
    assert np.count_nonzero(found >= packed) >= 150
    assert found[found >= packed].sum() >= 0.6 * found.sum()


def test_one_lane_is_not_packed(compiled, packed):
    found = compiled[1]
    # that many are there, none of them packed: what the test above counts comes with the lanes
    assert found.size >= 100
    assert np.count_nonzero(found >= packed) <= 15
