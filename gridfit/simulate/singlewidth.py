"""Numba's `njit` for functions that keep to one width of floating-point numbers: float32 in, float32 throughout.

A literal of Python is a float64, and one of them makes a whole expression float64, which halves the lanes of a vector
register. Here literals take the width of the arguments: where those hold float32 and no float64, they become float32.
Whole numbers must not meet them in arithmetic, since int64 with float32 is float64 by NumPy's rules.

Source: Numba's manual, "Customizing the Compiler" (a compiler pass on the untyped representation).
"""

from typing import Any

import numba
import numpy as np
from numba import types
from numba.core import ir
from numba.core.compiler import CompilerBase, DefaultPassBuilder
from numba.core.compiler_machinery import FunctionPass, register_pass
from numba.core.untyped_passes import IRProcessing

__all__ = ["njit"]


def _only_single(arguments: tuple[Any, ...]) -> bool:
    kinds = {one.dtype if isinstance(one, types.Array) else one for one in arguments}
    return types.float32 in kinds and types.float64 not in kinds


@register_pass(mutates_CFG=False, analysis_only=False)
class _SingleLiterals(FunctionPass):  # type: ignore[misc]
    """Turns literals and global numbers into float32 where the arguments are."""

    _name = "single_literals"

    def __init__(self) -> None:
        super().__init__()

    def run_pass(self, state: Any) -> bool:  # noqa: ANN401 - numba has no types
        """Change the function's representation in place; return whether anything changed."""
        if not _only_single(state.args):
            return False
        changed = False
        for block in state.func_ir.blocks.values():
            for assignment in block.find_insts(ir.Assign):
                told = assignment.value
                if isinstance(told, (ir.Const, ir.Global, ir.FreeVar)) and type(told.value) is float:
                    told.value, changed = np.float32(told.value), True
        return changed


class _SingleWidth(CompilerBase):  # type: ignore[misc]
    def define_pipelines(self) -> list[Any]:
        """Return numba's own pipeline with the pass in it."""
        passes = DefaultPassBuilder.define_nopython_pipeline(self.state)
        passes.add_pass_after(_SingleLiterals, IRProcessing)
        passes.finalize()
        return [passes]


def njit(**options: Any) -> Any:  # noqa: ANN401 - as numba's
    """Return numba's `njit` decorator with these options and literals of the arguments' width."""
    return numba.njit(pipeline_class=_SingleWidth, **options)
