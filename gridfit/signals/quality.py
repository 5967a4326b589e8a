"""The row that a check makes: what was measured, against what, whether it holds, and what it means."""

from dataclasses import asdict, dataclass
from typing import Literal

Operator = Literal["<", "<=", ">", ">=", "=="]


@dataclass(frozen=True, slots=True)
class Finding:
    """The result of one check.

    Parameters
    ----------
    check : str
        Name of the check.
    run : str
        Run it was made on; empty for the car as a whole.
    statistic : str
        What was measured, with its unit.
    value : float
        The measurement; NaN when it could not be made.
    operator : str
        How it is compared.
    threshold : float
        Against what.
    passed : bool
        Whether the comparison holds.
    meaning : str
        What follows for the results.
    remedy : str
        What to do; empty when nothing need be done.
    """

    check: str
    run: str
    statistic: str
    value: float
    operator: Operator
    threshold: float
    passed: bool
    meaning: str
    remedy: str

    def to_dict(self) -> dict[str, object]:
        """Return the row for JSON and tables."""
        return asdict(self)


def compare(
    check: str,
    run: str,
    statistic: str,
    value: float,
    operator: Operator,
    threshold: float,
    *,
    good: str,
    bad: str,
    remedy: str,
) -> Finding:
    """Make a finding by comparing a value; a value that is not finite fails.

    Parameters
    ----------
    check, run, statistic : str
        As in `Finding`.
    value, threshold : float
        Compared as ``value operator threshold``.
    operator : str
        ``<``, ``<=``, ``>``, ``>=`` or ``==``.
    good, bad : str
        Meaning when it holds and when it does not.
    remedy : str
        Given only when it does not hold.

    Returns
    -------
    Finding
    """
    holds = {
        "<": value < threshold,
        "<=": value <= threshold,
        ">": value > threshold,
        ">=": value >= threshold,
        "==": value == threshold,
    }[operator]
    passed = bool(holds)
    meaning, todo = (good, "") if passed else (bad, remedy)
    return Finding(check, run, statistic, float(value), operator, float(threshold), passed, meaning, todo)
