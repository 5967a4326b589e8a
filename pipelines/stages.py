"""Stages of a long job whose results may be kept, so that a job that was killed does not compute them again."""

from collections.abc import Callable
from typing import Protocol, TypeVar

T = TypeVar("T")


class Stages(Protocol):
    """Where a job's finished stages are kept."""

    def keep(self, name: str, make: Callable[[], T]) -> T:
        """Return what an earlier attempt at this job made under `name`, else make it now and keep it."""


class Straight:
    """Keeps nothing: every stage is computed where it stands."""

    def keep(self, name: str, make: Callable[[], T]) -> T:
        """Return what `make` returns."""
        return make()


STRAIGHT = Straight()
"""What a job uses unless told otherwise."""
