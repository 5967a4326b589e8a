"""One check of the runs behind a pair: what was computed, the rule, what it means and what to do."""

from dataclasses import asdict, dataclass, replace


@dataclass(frozen=True, slots=True)
class PairFinding:
    """One check of the runs behind a pair of compounds.

    Attributes
    ----------
    check : str
        Short name.
    pair : tuple of str
        The two compounds.
    statistic : str
        What was computed, with its unit.
    value : float
        Of the statistic.
    operator : str
        ``<``, ``<=``, ``>=`` or ``>``: how the value must stand to the threshold.
    threshold : float
    passed : bool
    meaning : str
        What it means for the verdict.
    remedy : str
        What to do; empty when passed.
    """

    check: str
    pair: tuple[str, str]
    statistic: str
    value: float
    operator: str
    threshold: float
    passed: bool
    meaning: str
    remedy: str

    def about(self, noun: str) -> "PairFinding":
        """Return the finding with the sides called by another noun."""
        if noun == "compound":
            return self
        words = (text.replace("compound", noun) for text in (self.statistic, self.meaning, self.remedy))
        statistic, meaning, remedy = (
            text[:1].upper() + text[1:] if k else text for k, text in enumerate(words)
        )
        return replace(self, statistic=statistic, meaning=meaning, remedy=remedy)

    def to_dict(self) -> dict[str, object]:
        """Return the finding as plain values for JSON."""
        return asdict(self)


def finding(
    check: str,
    pair: tuple[str, str],
    statistic: str,
    rule: tuple[float, str, float],
    words: tuple[str, str, str],
) -> PairFinding:
    """Make a finding from (value, operator, threshold) and (meaning if passed, meaning if not, remedy)."""
    value, operator, threshold = rule
    passed = {"<": value < threshold, "<=": value <= threshold, ">=": value >= threshold}[operator]
    good, bad, remedy = words
    return PairFinding(
        check,
        pair,
        statistic,
        value,
        operator,
        threshold,
        passed,
        good if passed else bad,
        "" if passed else remedy,
    )
