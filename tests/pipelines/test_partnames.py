"""Every part of the score and every parameter of the plant has a name that a reader understands."""

import re

from gridfit.recovery import PART_INDEX
from gridfit.simulate.parameters import NAMES
from pipelines.partnames import COST, PART_DECIMALS, PART_LABELS, PLANT_LABELS


def test_every_parameter_of_the_plant_has_a_label_of_its_own():
    assert set(PLANT_LABELS) == set(NAMES)
    assert len(set(PLANT_LABELS.values())) == len(NAMES)
    assert not [label for label in PLANT_LABELS.values() if "_" in label]


def test_every_part_that_is_shown_has_a_unit_and_decimals():
    assert set(PART_LABELS) - {COST} <= set(PART_INDEX)
    assert set(PART_DECIMALS) == set(PART_LABELS)
    assert all(re.fullmatch(r"[a-z -]+ \[[^\]]+\]", label) for label in PART_LABELS.values())
