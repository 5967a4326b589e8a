"""What a job has worked out so far, on disk: stages as archives, simulations in a journal.

A job that is begun again asks the same questions in the same order, since its random numbers come from its seed.
Whatever was answered before is read back instead of computed, so the search goes on where its study stood, and ends
with the same grids. Answers are found by the digest of all that goes into them, so none can be stale.
"""

import hashlib
import struct
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar
from weakref import WeakKeyDictionary
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray

from gridfit.grids import GridPair
from gridfit.simulate import kernel, singlewidth
from gridfit.simulate.batch import Simulator
from gridfit.simulate.parameters import Floats
from pipelines.service import archive

T = TypeVar("T")

_HEAD = struct.Struct("<4s32s3IQI")
_MAGIC = b"gfj2"
STAGE_MARKS = 1000
"""What a finished stage counts beside one simulation, when it is asked whether a job got further."""


class Journal:
    """Arrays by key in one file that only grows; a record that was cut off by a kill is dropped.

    Parameters
    ----------
    path : Path
        Made where it is missing.
    """

    def __init__(self, path: Path) -> None:
        self._places: dict[bytes, tuple[int, tuple[int, ...]]] = {}
        self._lock = Lock()
        path.touch()
        self._file = path.open("r+b")
        end = self._scan()
        self._file.truncate(end)

    def __len__(self) -> int:
        """Records held."""
        return len(self._places)

    def _scan(self) -> int:
        at = 0
        while True:
            self._file.seek(at)
            head = self._file.read(_HEAD.size)
            if len(head) < _HEAD.size:
                return at
            magic, key, *shape, size, check = _HEAD.unpack(head)
            body = self._file.read(size) if magic == _MAGIC else b""
            if magic != _MAGIC or len(body) != size or zlib.crc32(body) != check:
                return at
            self._places[key] = (at + _HEAD.size, tuple(shape))
            at += _HEAD.size + size

    def get(self, key: bytes) -> Floats | None:
        """Return the array under a key of 32 bytes, or None."""
        with self._lock:
            found = self._places.get(key)
            if found is None:
                return None
            place, shape = found
            self._file.seek(place)
            count = int(np.prod(shape))
            return np.frombuffer(self._file.read(8 * count), dtype="<f8").reshape(shape).copy()

    def put(self, key: bytes, value: Floats) -> None:
        """Add an array of three axes under a key of 32 bytes."""
        body = np.ascontiguousarray(value, dtype="<f8").tobytes()
        with self._lock:
            self._file.seek(0, 2)
            at = self._file.tell()
            self._file.write(_HEAD.pack(_MAGIC, key, *value.shape, len(body), zlib.crc32(body)) + body)
            # The system has it from here on: a kill of this process loses nothing.
            self._file.flush()
            self._places[key] = (at + _HEAD.size, value.shape)

    def close(self) -> None:
        """Close the file."""
        self._file.close()


class Memory:
    """Kept stages and simulations of one job.

    Parameters
    ----------
    folder : Path
        Made where it is missing.
    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._stages = len(list(folder.glob("*.npz")))
        self.journal = Journal(folder / "simulations.journal")

    @property
    def marks(self) -> int:
        """What is kept, as a count that only grows."""
        return STAGE_MARKS * self._stages + len(self.journal)

    def keep(self, name: str, make: Callable[[], T]) -> T:
        """Return the stage that is kept under `name`, else make and keep it."""
        path = self._folder / f"{name}.npz"
        if path.exists():
            try:
                found: T = archive.from_bytes(path.read_bytes())
            except (ValueError, KeyError, TypeError, OSError, BadZipFile):
                path.unlink()  # of another version, or damaged: made anew
            else:
                return found
        value = make()
        archive.write(path, value)
        self._stages += 1
        return value

    def kept(self, name: str) -> Any:  # noqa: ANN401 - whatever was kept
        """Return the stage that is kept under `name`, or None."""
        path = self._folder / f"{name}.npz"
        return archive.from_bytes(path.read_bytes()) if path.exists() else None

    @contextmanager
    def simulations(self) -> Iterator[None]:
        """Keep every simulation of this process while the block runs, and read back those that are kept."""
        plain = Simulator.play
        digests: WeakKeyDictionary[Simulator, bytes] = WeakKeyDictionary()
        sources = (Path(str(module.__file__)).read_bytes() for module in (kernel, singlewidth))
        program = hashlib.sha256(b"".join(sources)).digest()

        def play(
            simulator: Simulator,
            pairs: Sequence[GridPair],
            scenarios: NDArray[np.intp],
            draws: NDArray[np.intp],
        ) -> Floats:
            if simulator not in digests:
                digests[simulator] = archive.digest_of([program.hex(), vars(simulator)])
            grids = [array for pair in pairs for array in pair.arrays()]
            key = hashlib.sha256(digests[simulator] + archive.digest_of([scenarios, draws, grids])).digest()
            found = self.journal.get(key)
            if found is None:
                found = plain(simulator, pairs, scenarios, draws)
                self.journal.put(key, found)
            return found

        # The search makes its own simulators, so they are met where all of them pass.
        Simulator.play = play  # type: ignore[method-assign, assignment]
        try:
            yield
        finally:
            Simulator.play = plain  # type: ignore[method-assign]
