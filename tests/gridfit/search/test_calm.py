"""Choice of the calmer of two pairs that cost the same, on a landscape whose swing is known."""

import numpy as np
import pytest

from gridfit.recovery import PART_INDEX, PARTS
from gridfit.search.blocks import Bench, Incumbent
from gridfit.search.calm import calm, calmest, swing_pct
from gridfit.search.ledger import Ledger
from gridfit.search.moves import Resolution
from gridfit.search.objective import Played, everything
from gridfit.search.polish import curves_of
from tests.gridfit.search.landscape import DRAWS, GEAR_OF, SEARCHED, START, judge_of


def rival(cost, swing):
    parts = np.zeros((1, 8, len(PARTS)))
    parts[..., PART_INDEX["cut_swing_pct"]] = swing
    return Incumbent(START, Played(parts, everything(4, 2)), cost)


def test_within_two_per_cent_the_calmer_is_chosen():
    assert calmest([rival(10.0, 5.0), rival(10.19, 3.0)]).cost == 10.19


def test_beyond_two_per_cent_the_cheaper_is_chosen():
    assert calmest([rival(10.0, 5.0), rival(10.21, 3.0)]).cost == 10.0


def test_a_calmer_pair_may_not_cost_more_than_the_ceiling():
    assert calmest([rival(10.0, 5.0), rival(10.19, 3.0)], ceiling=10.1).cost == 10.0


def test_a_cheapest_pair_above_the_ceiling_is_still_chosen():
    assert calmest([rival(10.0, 5.0)], ceiling=9.0).cost == 10.0


def with_swing(cost_of_cut):
    """The swing is the mean cut; the cost rises with the cut's distance from 25 % at a chosen rate."""

    def evaluate(grids, scenarios, draws):
        parts = np.zeros((len(grids), scenarios.size, len(PARTS)))
        for c, pair in enumerate(grids):
            for n, gear in enumerate(GEAR_OF[scenarios]):
                cut = float(np.mean(pair.cut.row(int(gear))))
                parts[c, n, PART_INDEX["cut_swing_pct"]] = cut
                parts[c, n, PART_INDEX["drive_lost_kmh"]] = 10.0 + cost_of_cut * abs(25.0 - cut)
        return parts

    return evaluate


@pytest.mark.parametrize(("rate", "calms"), [(0.0, True), (0.01, True), (10.0, False)])
def test_calming_takes_what_costs_nothing_and_no_more(rate, calms):
    at = everything(GEAR_OF.size, DRAWS)
    bench = Bench(judge_of(with_swing(rate)), at, lambda pair: 0.0, Ledger())
    begin = bench.stand(START)
    path = calm(bench, begin, curves_of(START, SEARCHED, Resolution(), (20.0, 120.0)))
    end = path[-1] if path else begin
    assert end.cost <= 1.01 * begin.cost + 1e-9
    assert (float(swing_pct(end.played)[0]) < 0.98 * float(swing_pct(begin.played)[0])) is calms
