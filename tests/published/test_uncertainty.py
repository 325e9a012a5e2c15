"""Standard uncertainties against the examples that JCGM 100:2008 prints.

The data of these examples are cited from memory, but for H.1.6; each was recomputed.
"""

import math

import numpy as np
import pytest

from bottomheat.calibration import uncertainty
from bottomheat.calibration.regression import least_squares


@pytest.mark.parametrize(
    ("found", "value"),
    [
        (uncertainty.rectangular(0.5), 0.288675135),
        (uncertainty.triangular(0.5), 0.204124145),
        (uncertainty.arcsine(0.5), 0.353553391),
        (uncertainty.quantisation(0.0625), 0.018042196),
    ],
)
def test_divisors_of_jcgm_100(found, value):
    """JCGM 100:2008, 4.3.7 (a/√3), 4.3.9 (a/√6), H.1.3.4 (a/√2), F.2.2.1 (step/√12)."""
    assert found == pytest.approx(value, abs=5e-10)


def test_handbook_value_of_copper_in_jcgm_100():
    """JCGM 100:2008, 4.3.7, example 1: within 0.40e-6 /K gives a variance of 53.3e-15 /K²."""
    u = uncertainty.rectangular(0.40e-6)
    assert u**2 == pytest.approx(53.3e-15, abs=0.05e-15)
    assert u == pytest.approx(0.23e-6, abs=0.005e-6)


def test_voltmeter_of_jcgm_100():
    """JCGM 100:2008, 4.3.7, example 2, and 5.1.5: 15 µV gives 8.7 µV; with 12 µV it is 15 µV."""
    u = uncertainty.rectangular(15e-6)
    assert u == pytest.approx(8.7e-6, abs=0.05e-6)
    assert uncertainty.combined(u, 12e-6) == pytest.approx(15e-6, abs=0.5e-6)


def test_temperature_of_the_test_bed_in_jcgm_100():
    """JCGM 100:2008, H.1.3.4: a cycle of ± 0.5 °C gives 0.35 °C; with a mean ± 0.2 °C, 0.41 °C."""
    cycle = uncertainty.arcsine(0.5)
    assert cycle == pytest.approx(0.35, abs=0.005)
    assert uncertainty.combined(0.2, cycle) == pytest.approx(0.41, abs=0.005)


def test_display_of_jcgm_100():
    """JCGM 100:2008, F.2.2.1: a step gives 0.29 steps."""
    assert uncertainty.quantisation(1.0) == pytest.approx(0.29, abs=0.005)


def test_effective_degrees_of_freedom_of_the_product_in_jcgm_100():
    """JCGM 100:2008, G.4.1, example: 0.25, 0.57 and 0.82 % from 10, 5 and 15 readings."""
    parts = (0.25, 0.57, 0.82)
    assert uncertainty.combined(*parts) == pytest.approx(1.03, abs=0.005)
    assert uncertainty.effective_degrees_of_freedom(parts, (9, 4, 14)) == pytest.approx(
        19.0, abs=0.05
    )


def test_effective_degrees_of_freedom_of_the_end_gauge_in_jcgm_100():
    """JCGM 100:2008, H.1.6: 25, 9.7, 2.9 and 16.6 nm give 32 nm, ν = 16.7, t99(16) = 2.92."""
    parts = (25.0, 9.7, 2.9, 16.6)
    assert uncertainty.combined(*parts) == pytest.approx(32.0, abs=0.5)
    # The parts are printed rounded, so the last digit of 16.7 is not certain.
    assert uncertainty.effective_degrees_of_freedom(parts, (18, 25.6, 50, 2)) == pytest.approx(
        16.7, abs=0.1
    )
    x = np.arange(18.0)
    fit = least_squares(np.column_stack([np.ones(18), x]), np.sin(x))
    assert fit.degrees_of_freedom == 16
    assert fit.quantile(0.99) == pytest.approx(2.92, abs=0.005)


def test_parts_that_are_exactly_known_do_not_count_in_the_degrees_of_freedom():
    """JCGM 100:2008, G.4.2 and G.4.3: ν of such a part is infinite."""
    assert uncertainty.effective_degrees_of_freedom((0.3, 0.1), (math.inf, math.inf)) == math.inf
    alone = uncertainty.effective_degrees_of_freedom((0.1, 0.0), (4, 7))
    assert alone == pytest.approx(4.0)
    assert uncertainty.effective_degrees_of_freedom((1.0, 1.0), (4, math.inf)) == pytest.approx(16)
