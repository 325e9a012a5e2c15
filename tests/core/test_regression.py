"""Properties that least squares must have whatever the readings are."""

import warnings
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from bottomheat.calibration import uncertainty
from bottomheat.calibration.regression import (
    aic,
    aicc,
    best_prediction,
    birge_ratio,
    chi_square_test,
    inverse_prediction,
    least_squares,
    mean_response,
    nested_f_test,
    prediction,
)

# --- readings -----------------------------------------------------------------------------------


@st.composite
def problems(draw, low=4, high=9, constant=None):
    """Readings of a line in x, each with its own error, and one error that all share."""
    n = draw(st.integers(low, high))
    x = np.array(draw(st.lists(st.integers(0, 200), min_size=n, max_size=n, unique=True))) / 10.0
    y = draw(hnp.arrays(np.float64, n, elements=st.floats(-20.0, 20.0)))
    sigma = draw(hnp.arrays(np.float64, n, elements=st.floats(0.02, 1.0)))
    shared = draw(st.floats(0.0, 1.0))
    with_constant = draw(st.booleans()) if constant is None else constant
    design = np.column_stack([np.ones(n), x]) if with_constant else x[:, np.newaxis]
    return design, y, np.diag(sigma**2) + shared**2, sigma


def gls(design, y, covariance):
    return least_squares(design, y, covariance=covariance, known_scale=True)


# --- the fit ------------------------------------------------------------------------------------


@given(problems())
def test_a_diagonal_covariance_is_a_weight(problem):
    design, y, _, sigma = problem
    by_weight = least_squares(design, y, weights=sigma**-2, known_scale=True)
    for covariance in (sigma**2, np.diag(sigma**2)):
        fit = gls(design, y, covariance)
        assert fit.estimates == pytest.approx(by_weight.estimates, rel=1e-9, abs=1e-9)
        assert fit.covariance == pytest.approx(by_weight.covariance, rel=1e-9, abs=1e-12)
        assert fit.deleted == pytest.approx(by_weight.deleted, rel=1e-7, abs=1e-9)
        assert fit.log_determinant == pytest.approx(by_weight.log_determinant)


@given(problems(), st.floats(0.1, 10.0), st.floats(-5.0, 5.0))
def test_what_the_model_holds_moves_the_estimates_and_nothing_else(problem, factor, by):
    design, y, covariance, _ = problem
    fit = gls(design, y, covariance)
    moved = gls(design, factor * y + design @ np.full(design.shape[1], by), factor**2 * covariance)
    assert moved.estimates == pytest.approx(factor * fit.estimates + by, rel=1e-8, abs=1e-8)
    assert moved.residuals == pytest.approx(factor * fit.residuals, rel=1e-7, abs=1e-7)
    assert moved.standard_errors == pytest.approx(factor * fit.standard_errors, rel=1e-8)
    assert moved.standardised == pytest.approx(fit.standardised, rel=1e-5, abs=1e-5)
    assert moved.leverage == pytest.approx(fit.leverage, rel=1e-7, abs=1e-9)


@given(problems(), st.randoms(use_true_random=False))
def test_the_order_of_the_readings_does_not_matter(problem, random):
    design, y, covariance, _ = problem
    order = list(range(len(y)))
    random.shuffle(order)
    fit = gls(design, y, covariance)
    other = gls(design[order], y[order], covariance[np.ix_(order, order)])
    assert other.estimates == pytest.approx(fit.estimates, rel=1e-8, abs=1e-9)
    assert other.leverage == pytest.approx(fit.leverage[order], rel=1e-7, abs=1e-9)
    assert other.deleted == pytest.approx(fit.deleted[order], rel=1e-6, abs=1e-7)
    assert other.chi_square == pytest.approx(fit.chi_square, rel=1e-7, abs=1e-9)
    if np.ptp(y) > 1e-3:
        assert other.r_squared == pytest.approx(fit.r_squared, rel=1e-7, abs=1e-7)


@given(problems())
def test_leverages_add_up_to_the_unknowns(problem):
    design, y, covariance, _ = problem
    fit = gls(design, y, covariance)
    assert fit.leverage.sum() == pytest.approx(fit.unknowns)


@given(problems())
def test_known_errors_do_not_depend_on_what_was_read(problem):
    design, y, covariance, _ = problem
    assert gls(design, y, covariance).covariance == pytest.approx(
        gls(design, y + np.sin(7.0 * y), covariance).covariance
    )


@given(problems(), st.floats(0.01, 100.0))
def test_without_a_known_scale_only_relative_weights_count(problem, factor):
    design, y, covariance, _ = problem
    fit = least_squares(design, y, covariance=covariance)
    other = least_squares(design, y, covariance=factor * covariance)
    assert other.estimates == pytest.approx(fit.estimates, rel=1e-9, abs=1e-9)
    assert other.standard_errors == pytest.approx(fit.standard_errors, rel=1e-7, abs=1e-9)
    assert other.deleted_errors == pytest.approx(fit.deleted_errors, rel=1e-7, abs=1e-9)


@given(problems(low=5))
def test_a_further_reading_never_makes_the_known_errors_larger(problem):
    design, y, covariance, _ = problem
    fewer = gls(design[:-1], y[:-1], covariance[:-1, :-1])
    more = gls(design, y, covariance)
    assert np.all(more.standard_errors <= fewer.standard_errors * (1.0 + 1e-9))


@given(problems())
@settings(max_examples=40)
def test_estimates_are_those_of_exact_arithmetic(problem):
    """The normal equations solved in fractions, which round nothing."""
    design, y, _, _ = problem
    fit = least_squares(design, y)
    rows = [[Fraction(float(each)) for each in row] for row in design]
    read = [Fraction(float(each)) for each in y]
    p = design.shape[1]
    normal = [[sum(row[i] * row[j] for row in rows) for j in range(p)] for i in range(p)]
    right = [sum(row[i] * each for row, each in zip(rows, read, strict=True)) for i in range(p)]
    if p == 1:
        exact = [right[0] / normal[0][0]]
    else:
        (a, b), (c, d) = normal
        exact = [
            (right[0] * d - b * right[1]) / (a * d - b * c),
            (a * right[1] - c * right[0]) / (a * d - b * c),
        ]
    size = float(np.abs(y).max(initial=0.0))
    assert fit.estimates == pytest.approx(
        [float(each) for each in exact], rel=1e-12, abs=1e-13 * size
    )


# --- leave one out, predictions -----------------------------------------------------------------


@given(problems(low=5))
def test_a_deleted_residual_is_the_reading_less_what_the_others_predict(problem):
    """By really leaving each out: what the others' shared error tells is used as well."""
    design, y, covariance, _ = problem
    fit = gls(design, y, covariance)
    for i in range(len(y)):
        rest = np.arange(len(y)) != i
        others = gls(design[rest], y[rest], covariance[np.ix_(rest, rest)])
        found = best_prediction(
            others, design[i : i + 1], shared=covariance[i, rest], variance=covariance[i, i]
        )
        assert fit.deleted[i] == pytest.approx(y[i] - found.centre[0], rel=1e-5, abs=1e-6)
        assert fit.deleted_errors[i] == pytest.approx(found.standard_error[0], rel=1e-5)
        assert fit.standardised[i] == pytest.approx(
            fit.deleted[i] / fit.deleted_errors[i], rel=1e-9, abs=1e-12
        )


@given(problems(constant=False), st.floats(0.0, 25.0), st.floats(0.0, 1.0))
def test_the_best_prediction_is_the_unbiased_one_of_least_variance(problem, at, part):
    """Found again as the solution of the constrained minimum, with a multiplier."""
    design, y, covariance, _ = problem
    n = len(y)
    shared = np.full(n, part * float(covariance[0, 1]))
    variance = float(covariance[0, 1])
    found = best_prediction(gls(design, y, covariance), [[at]], shared=shared, variance=variance)
    system = np.block([[covariance, design], [design.T, np.zeros((1, 1))]])
    solution = np.linalg.solve(system, np.append(shared, at))
    weights = solution[:n]
    assert found.centre[0] == pytest.approx(weights @ y, rel=1e-6, abs=1e-6)
    error = weights @ covariance @ weights - 2.0 * weights @ shared + variance
    assert found.standard_error[0] ** 2 == pytest.approx(error, rel=1e-6, abs=1e-9)


@given(problems(constant=False))
def test_the_variance_of_a_prediction_through_zero_is_a_parabola(problem):
    """Least at the mean that the shared error weighs, with the factor's variance as its bend."""
    design, y, covariance, _ = problem
    fit = gls(design, y, covariance)
    common = float(covariance[0, 1])
    shared = np.full(len(y), common)
    at = np.linspace(-5.0, 30.0, 12)
    found = best_prediction(fit, at, shared=shared, variance=common)
    precision = np.linalg.inv(covariance)
    lowest = float(shared @ precision @ design[:, 0])
    least = common - float(shared @ precision @ shared)
    expected = least + fit.covariance[0, 0] * (at - lowest) ** 2
    assert found.standard_error**2 == pytest.approx(expected, rel=1e-6, abs=1e-9)


@given(problems())
def test_a_quantity_that_shares_nothing_is_predicted_by_the_line(problem):
    design, y, covariance, _ = problem
    fit = gls(design, y, covariance)
    found = best_prediction(fit, design, shared=np.zeros(len(y)), variance=0.04)
    expected = prediction(fit, design, variance=0.04)
    assert found.centre == pytest.approx(expected.centre)
    assert found.standard_error == pytest.approx(expected.standard_error)


@given(problems(), st.floats(0.01, 0.98), st.floats(0.001, 0.01))
def test_a_higher_level_is_a_wider_interval_about_the_same_centre(problem, level, more):
    design, y, _, _ = problem
    fit = least_squares(design, y)
    narrow, wide = mean_response(fit, design, level), mean_response(fit, design, level + more)
    assert np.array_equal(narrow.centre, wide.centre)
    assert np.all(wide.low <= narrow.low)
    assert np.all(narrow.high <= wide.high)
    new = prediction(fit, design, level_fraction=level)
    assert np.all(new.low <= narrow.low)
    assert np.all(narrow.high <= new.high)


def test_intervals_hold_the_truth_as_often_as_they_say():
    """2000 calibrations with a bias that all readings share: 95 % of intervals hold f x + b."""
    random = np.random.default_rng(20)
    x = np.array([4.0, 5.5, 6.0, 9.0, 12.0])
    sigma, bias_u, times = np.array([0.1, 0.08, 0.2, 0.1, 0.1]), 0.15, 2000
    covariance = np.diag(sigma**2) + bias_u**2
    inside = line_only = 0
    for _ in range(times):
        bias = random.normal(0.0, bias_u)
        fit = gls(x, 0.7 * x + bias + random.normal(0.0, sigma), covariance)
        truth = 0.7 * 15.0 + bias
        best = best_prediction(fit, [15.0], shared=np.full(5, bias_u**2), variance=bias_u**2)
        inside += bool(best.low[0] <= truth <= best.high[0])
        line = mean_response(fit, [15.0])
        line_only += bool(line.low[0] <= 0.7 * 15.0 <= line.high[0])
    # Four standard deviations of a binomial share.
    slack = 4.0 * np.sqrt(0.95 * 0.05 / times)
    assert inside / times == pytest.approx(0.95, abs=slack)
    assert line_only / times == pytest.approx(0.95, abs=slack)


# --- inverse prediction -------------------------------------------------------------------------


@given(problems(constant=True), st.floats(-20.0, 20.0), st.integers(1, 5))
def test_fiellers_bounds_are_where_the_band_of_new_readings_meets_the_reading(problem, y0, m):
    design, y, _, _ = problem
    fit = least_squares(design, y)
    if fit.residual_sd < 1e-6 or abs(fit.estimates[1]) < 1e-6:
        return
    found = inverse_prediction(fit, y0, repeats=m)
    assert found.x == pytest.approx((y0 - fit.estimates[0]) / fit.estimates[1], rel=1e-9, abs=1e-9)
    significant = abs(fit.estimates[1]) > fit.quantile() * fit.standard_errors[1]
    assert found.bounded == significant
    if not significant:
        assert (found.low, found.high) == (-np.inf, np.inf)
        return
    assert found.low <= found.x <= found.high
    if found.high - found.low > 1e4:
        return  # the slope is barely significant: digits are lost
    for end in (found.low, found.high):
        band = prediction(fit, [1.0, end], variance=1.0 / m)
        distance = abs(y0 - band.centre[0])
        assert distance == pytest.approx(band.high[0] - band.centre[0], rel=1e-5, abs=1e-7)


def test_a_line_that_may_be_flat_bounds_nothing():
    x = np.arange(6.0)
    fit = least_squares(np.column_stack([np.ones(6), x]), [1.0, -1.0, 1.0, -1.0, 1.0, -0.9])
    found = inverse_prediction(fit, 0.3)
    assert not found.bounded
    assert np.isfinite(found.x)


# --- judging models -----------------------------------------------------------------------------


@given(problems(constant=True))
def test_a_larger_model_never_fits_worse(problem):
    design, y, covariance, _ = problem
    for known in (True, False):
        small, large = (
            least_squares(each, y, covariance=covariance, known_scale=known)
            for each in (design[:, :1], design)
        )
        assert large.chi_square <= small.chi_square * (1.0 + 1e-9) + 1e-12
        found = nested_f_test(small, large)
        assert np.isnan(found.p_value) or 0.0 <= found.p_value <= 1.0
    gain = gls(design[:, :1], y, covariance).chi_square - gls(design, y, covariance).chi_square
    less = aic(gls(design[:, :1], y, covariance)) - aic(gls(design, y, covariance))
    assert less == pytest.approx(gain - 2.0, abs=1e-6)


def test_too_few_readings_for_a_model_count_as_infinitely_bad():
    x = np.array([1.0, 2.0, 4.0])
    assert aicc(least_squares(x, [1.0, 2.1, 3.9])) == np.inf
    assert np.isfinite(aicc(least_squares(np.arange(1.0, 5.0), [1.0, 2.1, 2.9, 4.0])))


def test_scatter_as_large_as_expected_has_a_birge_ratio_near_one():
    random = np.random.default_rng(3)
    x = np.linspace(3.0, 15.0, 400)
    y = 0.7 * x + random.normal(0.0, 0.1, 400)
    as_stated = least_squares(x, y, covariance=np.full(400, 0.01), known_scale=True)
    too_small = least_squares(x, y, covariance=np.full(400, 0.0025), known_scale=True)
    assert birge_ratio(as_stated) == pytest.approx(1.0, abs=0.12)
    assert chi_square_test(as_stated).p_value > 0.01
    assert birge_ratio(too_small) == pytest.approx(2.0, abs=0.24)
    assert chi_square_test(too_small).p_value < 1e-6


# --- at the edge --------------------------------------------------------------------------------


def test_as_many_readings_as_unknowns_are_enough_where_the_scale_is_known():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = gls([[1.0, 5.0], [1.0, 11.0]], [-1.0, -3.0], [0.01, 0.01])
    assert fit.estimates == pytest.approx([2.0 / 3.0, -1.0 / 3.0])
    assert fit.degrees_of_freedom == 0
    assert np.isnan(fit.residual_sd)
    assert np.all(np.isnan(fit.deleted))
    assert np.all(np.isnan(fit.standardised))
    with pytest.raises(ValueError, match="degree of freedom"):
        birge_ratio(fit)


def test_a_reading_that_alone_bears_an_unknown_has_no_deleted_residual():
    design = [[1.0, 0.0], [1.0, 0.0], [1.0, 0.0], [1.0, 1.0]]
    fit = least_squares(design, [1.0, 2.0, 3.5, 9.0])
    assert fit.leverage[3] == pytest.approx(1.0)
    assert np.isnan(fit.deleted[3])
    assert np.all(np.isfinite(fit.deleted[:3]))


def test_readings_without_scatter_raise_no_warning():
    fit = least_squares([[1.0, 1.0], [1.0, 2.0], [1.0, 3.0]], [0.0, 0.0, 0.0])
    assert fit.residual_sd == 0.0
    assert np.isnan(fit.r_squared)
    assert aicc(fit) == np.inf


@pytest.mark.parametrize("level", [1.0, 0.1, 1e6 / 3.0])
def test_readings_that_are_all_the_same_have_no_r_squared(level):
    """Rounding is not something that a model could explain."""
    design = np.column_stack([np.ones(4), [0.0, 0.1, 0.2, 0.3]])
    assert np.isnan(gls(design, np.full(4, level), np.eye(4) + 1.0).r_squared)


X = [[1.0, 2.0], [1.0, 3.0], [1.0, 5.0]]
Y = [1.0, 2.0, 3.0]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (((), ()), "no readings"),
        ((X, Y[:2]), "one row for each"),
        ((X[:2], Y[:2]), "cannot tell"),
        (([[1.0, 2.0], [1.0, 2.0], [1.0, 2.0]], Y), "apart"),
        (([[1.0, 0.0], [1.0, 0.0], [1.0, 0.0]], Y), "apart"),
        ((X, [1.0, float("nan"), 3.0]), "not a number"),
        (([[1.0, 2.0], [1.0, float("inf")], [1.0, 5.0]], Y), "not a number"),
    ],
)
def test_unusable_readings_are_refused(arguments, words):
    with pytest.raises(ValueError, match=words):
        least_squares(*arguments)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"known_scale": True}, "needs weights"),
        ({"weights": [1.0, 1.0, 1.0], "covariance": [1.0, 1.0, 1.0]}, "not both"),
        ({"weights": [1.0, 0.0, 1.0]}, "above 0"),
        ({"weights": [1.0, 1.0]}, "do not fit"),
        ({"weights": np.eye(3)}, "do not fit"),
        ({"covariance": [1.0, -1.0, 1.0]}, "above 0"),
        ({"covariance": np.ones((3, 3))}, "positive definite"),
        ({"covariance": np.triu(np.ones((3, 3)))}, "symmetric"),
        ({"covariance": np.full((3, 3), np.nan)}, "not a number"),
    ],
)
def test_unusable_weights_are_refused(arguments, words):
    with pytest.raises(ValueError, match=words):
        least_squares(X, Y, **arguments)


def test_questions_that_a_fit_cannot_answer_are_refused():
    free = least_squares(X, Y)
    known = gls(X, Y, [0.01, 0.01, 0.01])
    through_zero = least_squares([1.0, 2.0, 4.0], Y)
    flat = least_squares(X, [1.0, 1.0, 1.0])
    with pytest.raises(ValueError, match="own variance"):
        prediction(known, X)
    with pytest.raises(ValueError, match="own variance"):
        inverse_prediction(known, 2.0)
    with pytest.raises(ValueError, match="columns 1 and x"):
        inverse_prediction(through_zero, 2.0)
    with pytest.raises(ValueError, match="at least one"):
        inverse_prediction(free, 2.0, repeats=0)
    with pytest.raises(ValueError, match="one value for each unknown"):
        mean_response(free, [1.0, 2.0, 3.0])
    with pytest.raises(ValueError, match="between 0 and 1"):
        mean_response(free, X, 95.0)
    with pytest.raises(ValueError, match="known scale"):
        chi_square_test(free)
    with pytest.raises(ValueError, match="known scale"):
        birge_ratio(free)
    with pytest.raises(ValueError, match="aicc"):
        aic(free)
    with pytest.raises(ValueError, match="aic"):
        aicc(known)
    with pytest.raises(ValueError, match="same readings"):
        nested_f_test(known, free)
    with pytest.raises(ValueError, match="not nested"):
        nested_f_test(free, free)
    with pytest.raises(ValueError, match="not nested"):
        nested_f_test(least_squares(np.array([1.0, 4.0, 2.0]), Y), free)
    with pytest.raises(ValueError, match="contradict"):
        best_prediction(known, X, shared=[0.01, 0.01, 0.01], variance=0.0001)
    with pytest.raises(ValueError, match="each reading"):
        best_prediction(known, X, shared=[0.01, 0.01], variance=0.01)
    assert abs(flat.estimates[1]) < 1e-15


# --- uncertainties ------------------------------------------------------------------------------

PARTS = st.lists(st.tuples(st.floats(1e-3, 1e3), st.floats(1.0, 200.0)), min_size=1, max_size=6)


@given(PARTS, st.floats(1e-6, 1e6))
def test_effective_degrees_of_freedom_lie_between_the_least_and_the_sum(parts, factor):
    """JCGM 100:2008, G.4.1, note; and no unit matters."""
    widths, degrees = zip(*parts, strict=True)
    found = uncertainty.effective_degrees_of_freedom(widths, degrees)
    assert min(degrees) * (1 - 1e-9) <= found <= sum(degrees) * (1 + 1e-9)
    scaled = [factor * width for width in widths]
    assert uncertainty.effective_degrees_of_freedom(scaled, degrees) == pytest.approx(found)


@given(st.floats(0.0, 1e6))
def test_the_less_a_bound_is_known_the_larger_its_uncertainty(half_width):
    triangular, rectangular, arcsine = (
        each(half_width)
        for each in (uncertainty.triangular, uncertainty.rectangular, uncertainty.arcsine)
    )
    assert triangular <= rectangular <= arcsine <= half_width
    assert uncertainty.quantisation(2.0 * half_width) == pytest.approx(rectangular)


@pytest.mark.parametrize("value", [-0.1, float("nan"), float("inf")])
def test_an_uncertainty_is_a_number_from_zero_up(value):
    for each in (
        uncertainty.rectangular,
        uncertainty.triangular,
        uncertainty.arcsine,
        uncertainty.quantisation,
        uncertainty.combined,
    ):
        with pytest.raises(ValueError, match="from 0 up"):
            each(value)


@pytest.mark.parametrize("degrees", [(), (0.0,), (float("nan"),), (3.0, 4.0)])
def test_each_part_needs_its_degrees_of_freedom(degrees):
    with pytest.raises(ValueError, match="degrees of freedom"):
        uncertainty.effective_degrees_of_freedom((0.1,), degrees)
