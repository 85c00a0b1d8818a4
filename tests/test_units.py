"""Behaviour of measures, drops, densities and own weighings."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fizzlab.errors import BadInput, CannotAnswer
from fizzlab.recipe.units import (
    ALIASES,
    DENSITIES,
    KINDS,
    UNITS,
    UNKNOWN_DROPPER,
    OwnWeighing,
    Quantity,
    Span,
    canonical_kind,
    count_drops,
    density_of,
    isopropyl_density,
    parse_quantity,
    to_grams,
    to_ml,
    top_up,
)

AMOUNTS = st.floats(min_value=1e-6, max_value=1e6)
FACTORS = st.floats(min_value=1e-3, max_value=1e3)


@st.composite
def spans(draw: st.DrawFn) -> Span:
    return Span(*sorted(draw(st.lists(st.floats(0, 1e6), min_size=3, max_size=3))))


@pytest.mark.parametrize(
    ("text", "amount", "unit"),
    [
        ("1/2 cup", 0.5, "cup"),
        ("0,5 tsp", 0.5, "tsp"),
        ("2 1/4 tsp", 2.25, "tsp"),
        ("2¼ tsp", 2.25, "tsp"),
        ("½ Cup", 0.5, "cup"),
        ("1 ⁄ 2 cup", 0.5, "cup"),
        ("30 drops", 30, "drop"),
        ("1 drop", 1, "drop"),
        ("12 g", 12, "g"),
        ("12g", 12, "g"),
        ("  3   Tablespoons ", 3, "tbsp"),
        (".5 fl. oz", 0.5, "fl oz"),
        ("2 fluid ounces", 2, "fl oz"),
        ("1 metric cup", 1, "metric cup"),
        ("1.25 kg", 1.25, "kg"),
        ("1,5 lbs", 1.5, "lb"),
        ("0 g", 0, "g"),
    ],
)
def test_reads_what_makers_write(text: str, amount: float, unit: str) -> None:
    read = parse_quantity(text)
    assert read.unit == unit
    assert read.amount == pytest.approx(amount, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("1/2", "no unit"),
        ("a pinch", "not an amount"),
        ("", "not an amount"),
        ("-2 g", "not an amount"),
        ("1-2 tsp", "range"),
        ("1 to 2 tsp", "range"),
        ("1,250 g", "thousand"),
        ("1/0 cup", "divides by nothing"),
        ("2 teaspon", 'Did you mean "teaspoon"'),
    ],
)
def test_refuses_what_could_be_misread(text: str, says: str) -> None:
    with pytest.raises(BadInput, match=says) as caught:
        parse_quantity(text, where="trial.toml", key="amount")
    assert "trial.toml, amount" in str(caught.value)


def test_bare_spoons_follow_the_chosen_measures() -> None:
    assert parse_quantity("1 cup", measures="metric").unit == "metric cup"
    assert parse_quantity("1 cup", measures="label").unit == "label cup"
    assert parse_quantity("1 fl oz", measures="label").unit == "label fl oz"
    assert parse_quantity("1 us cup", measures="metric").unit == "cup"
    assert parse_quantity("1 oz", measures="label").unit == "oz"
    assert parse_quantity("5 g", measures="metric").unit == "g"


@given(amount=AMOUNTS, unit=st.sampled_from(sorted(UNITS)))
def test_what_is_printed_reads_back(amount: float, unit: str) -> None:
    written = Quantity(float(f"{amount:.6f}"), unit)
    read = parse_quantity(str(written))
    assert read.unit == unit
    assert read.amount == pytest.approx(written.amount, rel=1e-11, abs=1e-6)


def test_no_spelling_means_two_units() -> None:
    spellings = [word for unit in UNITS.values() for word in (unit.name, *unit.spellings)]
    assert len(spellings) == len(set(spellings))


def test_every_alias_leads_to_a_density() -> None:
    assert set(ALIASES.values()) <= set(DENSITIES)
    assert not set(ALIASES) & set(DENSITIES)
    assert density_of("Baking Soda") is DENSITIES["sodium bicarbonate"]


@pytest.mark.parametrize("amount", [-1.0, float("nan"), float("inf")])
def test_quantity_refuses_nonsense(amount: float) -> None:
    with pytest.raises(ValueError, match="zero or more"):
        Quantity(amount, "g")


def test_quantity_refuses_unknown_unit() -> None:
    with pytest.raises(ValueError, match="unknown unit"):
        Quantity(1, "pinch")


@given(first=spans(), second=spans(), factor=FACTORS)
def test_spans_stay_in_order_and_add_linearly(first: Span, second: Span, factor: float) -> None:
    left = (first + second) * factor
    right = first * factor + second * factor
    for side in ("low", "typical", "high"):
        assert getattr(left, side) == pytest.approx(getattr(right, side), rel=1e-12, abs=1e-9)
    assert left.low <= left.typical <= left.high


def test_span_refuses_disorder() -> None:
    with pytest.raises(ValueError, match="order"):
        Span(2, 1, 3)
    with pytest.raises(ValueError, match="order"):
        Span(-1, 1, 3)
    with pytest.raises(ValueError, match="finite"):
        Span(0, 1, float("inf"))


@given(amount=AMOUNTS, factor=FACTORS, unit=st.sampled_from(sorted(UNITS)))
def test_grams_scale_with_the_amount(amount: float, factor: float, unit: str) -> None:
    density = density_of("corn starch")
    once = to_grams(Quantity(amount, unit), density)
    scaled = to_grams(Quantity(amount, unit) * factor, density)
    assert scaled.low == pytest.approx(once.low * factor, rel=1e-9)
    assert scaled.typical == pytest.approx(once.typical * factor, rel=1e-9)
    assert scaled.high == pytest.approx(once.high * factor, rel=1e-9)


def test_a_scale_needs_no_density_and_has_no_spread() -> None:
    assert to_grams(Quantity(2, "kg")) == Span.exactly(2000)


def test_a_scoop_carries_a_fifth_either_side() -> None:
    grams = to_grams(Quantity(0.5, "cup"), density_of("sodium bicarbonate"))
    assert grams.low == pytest.approx(0.8 * grams.typical)
    assert grams.high == pytest.approx(1.2 * grams.typical)


def test_volume_without_density_is_not_guessed() -> None:
    with pytest.raises(CannotAnswer, match="Weigh what that measure holds"):
        to_grams(Quantity(1, "tsp"))


def test_mass_is_no_volume() -> None:
    with pytest.raises(ValueError, match="is a mass"):
        to_ml(Quantity(1, "g"))


def test_unknown_kind_names_the_near_one() -> None:
    with pytest.raises(BadInput, match='Did you mean "sodium bicarbonate"'):
        density_of("sodium bicarbonat")
    with pytest.raises(BadInput, match="weigh a level spoon"):
        density_of("powdered moonlight")


def test_every_density_says_where_it_comes_from() -> None:
    assert all(kind == canonical_kind(kind) for kind in DENSITIES)
    for kind, said in KINDS.items():
        assert len(said["source"]) > 10
        if not DENSITIES[kind].seen:
            assert "memory" in said["source"] or "no source" in said["source"]


def test_own_weighing_replaces_the_table() -> None:
    own = OwnWeighing(Quantity(1, "tsp"), (5.5,))
    grams = to_grams(Quantity(3, "tsp"), density_of("sodium bicarbonate"), own=own)
    assert (grams.low, grams.typical, grams.high) == pytest.approx((13.2, 16.5, 19.8))
    # a tablespoon is three teaspoons, so a teaspoon weighed serves for it
    assert to_grams(Quantity(1, "tbsp"), own=own).typical == pytest.approx(16.5)


def test_own_drops_do_not_stand_for_spoons() -> None:
    own = OwnWeighing(Quantity(20, "drop"), (0.9,))
    assert to_grams(Quantity(30, "drop"), own=own).typical == pytest.approx(1.35)
    dye = density_of("liquid dye")
    assert to_grams(Quantity(1, "tsp"), dye, own=own) == to_grams(Quantity(1, "tsp"), dye)


@pytest.mark.parametrize(
    ("quantity", "grams"),
    [(Quantity(1, "g"), (1.0,)), (Quantity(1, "tsp"), ()), (Quantity(1, "tsp"), (0.0,))],
)
def test_own_weighing_refuses_nonsense(quantity: Quantity, grams: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="weigh"):
        OwnWeighing(quantity, grams)


def test_prediction_interval_of_own_weighings_covers_the_next_spoon() -> None:
    # 95 % nominal; with 1,000 trials the binomial standard error is 0.7 points, so 3 of them
    rng = np.random.default_rng(20240611)
    trials, count = 1000, 5
    spoons = rng.normal(4.6, 0.25, size=(trials, count + 1))
    covered = 0
    for row in spoons:
        span = OwnWeighing(Quantity(1, "tsp"), tuple(row[:count])).span()
        covered += span.low <= row[count] <= span.high
    assert covered / trials == pytest.approx(0.95, abs=3 * 0.0069)


def test_prediction_interval_never_reaches_zero() -> None:
    span = OwnWeighing(Quantity(1, "tsp"), (1.0, 5.0, 9.0)).span()
    assert 0 < span.low < span.typical < span.high


def test_unknown_dropper_is_wide_and_own_count_narrows_it() -> None:
    wide, own = to_ml(Quantity(30, "drop")), to_ml(Quantity(30, "drop"), count_drops(25))
    assert wide.high / wide.low > 2.5
    assert own.typical == pytest.approx(1.2)
    assert own.high / own.low < 1.4
    assert 1 / UNKNOWN_DROPPER.typical == 20


def test_count_drops_refuses_nonsense() -> None:
    with pytest.raises(ValueError, match="above zero"):
        count_drops(0)


def test_top_up_fills_what_is_left() -> None:
    exact = Span.exactly(1 / 20)
    left = top_up(Quantity(1, "metric tsp"), Quantity(40, "drop"), exact)
    assert left == Span.exactly(3.0)
    with pytest.raises(CannotAnswer, match="more than"):
        top_up(Quantity(0.5, "tsp"), Quantity(60, "drop"))


@given(drops=st.floats(0, 49))
def test_top_up_and_part_make_the_total(drops: float) -> None:
    total, part = Quantity(0.5, "tsp"), Quantity(drops, "drop")
    left = top_up(total, part)
    assert left.typical + to_ml(part).typical == pytest.approx(to_ml(total).typical)


def test_stronger_alcohol_is_lighter() -> None:
    strengths = [68, 70, 75, 85, 91, 92, 99, 100]
    densities = [isopropyl_density(strength).g_per_ml.typical for strength in strengths]
    assert densities == sorted(densities, reverse=True)
    assert density_of("rubbing alcohol 91%").g_per_ml == isopropyl_density(91).g_per_ml
    with pytest.raises(CannotAnswer, match="68 to 100"):
        isopropyl_density(50)
