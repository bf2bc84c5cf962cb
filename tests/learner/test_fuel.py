"""Stoichiometric ratios against the textbook."""

import pytest

from breathmap.learner.words.fuels import FUELS, afr_of, stoichiometric_afr


@pytest.mark.parametrize(
    ("formula", "printed"),
    [
        # Heywood, Internal Combustion Engine Fundamentals, appendix D, from memory.
        ((18 / 8, 0), 15.13),  # iso-octane
        ((8 / 7, 0), 13.50),  # toluene
        ((4, 0), 17.23),  # methane
        ((8 / 3, 0), 15.67),  # propane
        ((6 / 2, 1 / 2), 9.00),  # ethanol
        ((4, 1), 6.47),  # methanol
        ((1.87, 0), 14.6),  # petrol
    ],
)
def test_ratios_are_the_textbooks(formula, printed):
    """The computed ratio is the one that the textbook prints."""
    assert stoichiometric_afr(*formula) == pytest.approx(printed, abs=0.01)


@pytest.mark.parametrize("y", [1.85, 2.25, 4.0])
def test_the_formula_is_the_books_closed_form(y):
    """For hydrocarbons the ratio is 34.56 (4 + y) / (12.011 + 1.008 y), to rounding."""
    # Heywood, chapter 3, from memory.
    assert stoichiometric_afr(y) == pytest.approx(34.56 * (4 + y) / (12.011 + 1.008 * y), rel=1e-4)


def test_named_fuels_are_in_a_believable_order():
    """The more oxygen a fuel brings along, the less air it needs."""
    assert afr_of("methanol") < afr_of("ethanol") < afr_of("e85") < afr_of("petrol-e10")
    assert afr_of("petrol-e10") < afr_of("petrol-e5") < afr_of("petrol") < afr_of("methane")
    # E10 is commonly quoted as about 14.1 (from memory).
    assert afr_of("petrol-e10") == pytest.approx(14.0, abs=0.15)
    assert all(6.0 < afr_of(name) < 18.0 for name in FUELS)


def test_what_is_no_fuel_is_refused():
    """A composition that needs no air is refused in one line."""
    with pytest.raises(ValueError, match="needs no air"):
        stoichiometric_afr(0.0, 2.0)
