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
from gridfit.simulate import kernel
from gridfit.simulate.batch import SEARCH_STEP_S, grid_rows, kernel_inputs
from gridfit.simulate.scenarios import catalogue
from gridfit.simulate.singlewidth import njit

# name of the instruction's arithmetic, then p or s (packed or of one number), then s or d (float32 or float64), then
# its registers
X86 = re.compile(r"^\s+v?(?:add|sub|mul|div|fn?m(?:add|sub)\d+)([ps])s\s+(.*)$", re.MULTILINE)
ARM = re.compile(r"^\s+f(?:add|sub|mul|div|mla|mls|madd|msub|nmadd|nmsub|nmul)\s+([vs]\d+.*)$", re.MULTILINE)
WIDTHS = (("zmm", 16), ("ymm", 8), ("xmm", 4))


def widths(asm):
    """Numbers in every arithmetic instruction of the assembly: 16, 8 or 4 packed, 1 alone."""
    if platform.machine().lower() in ("arm64", "aarch64"):
        return [4 if ".4s" in registers else 1 for registers in ARM.findall(asm)]
    return [
        1 if kind == "s" else next(lanes for name, lanes in WIDTHS if name in registers)
        for kind, registers in X86.findall(asm)
    ]


@pytest.fixture(scope="module")
def compiled(demo, tmp_path_factory):
    """Kernel of each number of lanes in a block, compiled: widths of its arithmetic, and its optimised code."""
    sheet = read_carsheet(demo / "car.toml")
    plant = from_carsheet(sheet, np.random.default_rng(0), n_draws=1)
    scenarios = catalogue(sheet, plant, np.random.default_rng(1)).take([0])
    inputs = kernel_inputs(sheet, scenarios, plant.draws, step_s=SEARCH_STEP_S)
    grids = grid_rows([common_practice(sheet)], len(sheet.gearbox.ratios))
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
        out = np.zeros((1, 1, kernel.N_PARTS), kernel.FLOAT)
        module.run_blocks(
            0, 1, np.array([[0, 1]]), np.array([[0, 0]]), *inputs, *(a.astype(kernel.FLOAT) for a in grids), out,
            np.zeros((0, 0, 4), kernel.FLOAT),
        )  # fmt: skip
        assert out[0, 0, kernel.M_WINDOW] > 0.0
        asm, ir = (
            one.values() for one in (module.run_blocks.inspect_asm(), module.run_blocks.inspect_llvm())
        )
        found[lanes] = np.array(widths("\n".join(asm))), "\n".join(ir)
    return found


@pytest.fixture(scope="module")
def packed():
    """Fewest numbers of an instruction that counts as packed: 256 bits where the processor has them."""
    machine = platform.machine().lower()
    if machine not in ("x86_64", "amd64", "arm64", "aarch64"):
        pytest.skip(f"assembly of {machine} is not read here")
    # numba may have been told to compile for another processor than this one
    return 8 if get_host_cpu_features().get("avx2", False) and not numba.config.CPU_NAME else 4


def test_most_arithmetic_of_the_block_is_packed(compiled, packed):
    found, _ = compiled[16]
    assert np.count_nonzero(found >= packed) >= 150
    assert found[found >= packed].sum() >= 0.6 * found.sum()


def test_one_lane_is_not_packed(compiled, packed):
    found, _ = compiled[1]
    # that many are there, none of them packed: what the test above counts comes with the lanes
    assert found.size >= 100
    assert np.count_nonzero(found >= packed) <= 15


def test_no_number_of_the_loop_is_of_double_width(compiled):
    for _, ir in compiled.values():
        # one literal of double width would halve the lanes of all that it touches
        assert re.findall(r"\bdouble\b", ir) == []
        assert "float" in ir


@njit()
def doubled(values):
    return values * 2.0


def test_double_width_would_be_seen():
    """Negative control."""
    assert doubled(np.ones(3)).dtype == np.float64
    assert any(re.search(r"\bdouble\b", ir) for ir in doubled.inspect_llvm().values())
