"""Do the chances of a report come true in trials made by another process than its models?"""

from __future__ import annotations

import pytest
from calibration import MARGIN, Case, many, page, rates

TRIALS = 16


@pytest.mark.slow
@pytest.mark.parametrize("case", [Case("plain", 4, by_day=True), Case("rough", 6)], ids=lambda c: c.told)
def test_chances_to_keep_limits_come_true(case: Case) -> None:
    """Within 3 points of the truth, the interval 93 % or more, as far as 16 trials can tell (2.5 errors)."""
    claims = many([(case, number) for number in range(TRIALS)])
    table = rates(claims, ["claim"])
    told = table.loc["keeps limits"]
    assert abs(told["held"] - told["told"]) < 0.03 + 2.5 * told["error"]
    interval = table.loc["interval of that chance"]
    assert interval["held"] > 0.93 - 2.5 * interval["error"]
    for claim in ("new batch", "confirmed"):
        assert table.loc[claim, "held"] > 0.95 - 2.5 * table.loc[claim, "error"]


@pytest.mark.slow
def test_the_page_has_a_line_a_claim_and_pieces_say_the_same() -> None:
    jobs = [(Case(days=6, ratio=MARGIN), number) for number in (0, 1)]
    claims, again = many(jobs), many(jobs[1:])
    assert claims[claims["trial"] == 1].reset_index(drop=True).equals(again)
    told = page(claims, 2, 2)
    assert "| both | rough, 6 days, within days |" in told
    assert "“the same”" in told.lower()
