"""Where everything lies in the data directory; a copy of that directory is a backup of the service."""

from dataclasses import dataclass
from pathlib import Path

from pipelines.service.database import Database
from pipelines.stores import Place


@dataclass(frozen=True, slots=True)
class Data:
    """The user's data directory.

    Parameters
    ----------
    root : Path
        Absolute.
    """

    root: Path

    @property
    def database(self) -> Database:
        """Cars, runs, grid pairs, jobs, history."""
        return Database(self.root / "service.db")

    @property
    def blobs(self) -> Path:
        """Uploads, each under its SHA-256."""
        return self.root / "uploads"

    @property
    def incoming(self) -> Path:
        """Uploads that are still arriving."""
        return self.root / "incoming"

    @property
    def tracking(self) -> Place:
        """MLflow's and Optuna's stores."""
        return Place(self.root / "tracking")

    def job(self, job_id: str) -> Path:
        """Inputs and kept stages of a job that is not finished."""
        return self.root / "jobs" / job_id

    def result(self, job_id: str) -> Path:
        """Result folder of a job."""
        return self.root / "results" / job_id

    def overlay(self, job_id: str) -> Path:
        """Measured and predicted episodes of a refine."""
        return self.root / "overlays" / f"{job_id}.json"

    def prepare(self) -> "Data":
        """Make the directory and its tables where they are missing."""
        for folder in (self.blobs, self.incoming, self.root / "jobs", self.root / "results"):
            folder.mkdir(parents=True, exist_ok=True)
        self.database.prepare()
        return self
