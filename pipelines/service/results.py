"""Result folders of finished jobs, read back."""

import json
from typing import Any

from pipelines.outputs import SUMMARY
from pipelines.service.places import Data


def standing_summary(data: Data, job_id: str) -> dict[str, Any] | None:
    """Return summary.json of a job's result folder; None where there is none."""
    try:
        found = json.loads((data.result(job_id) / SUMMARY).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) else None
