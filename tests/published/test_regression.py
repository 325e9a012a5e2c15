"""Our least squares against certified data sets, printed examples and an independent library."""

import importlib.resources
from dataclasses import dataclass

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.anova import anova_lm
from statsmodels.tools.eval_measures import aicc as aicc_of_others

from bottomheat.calibration import regression as ours

# --- NIST Statistical Reference Datasets, linear regression -----------------------------------


@dataclass(frozen=True)
class Certified:
    """Certified values of NIST StRD and the tolerance that the 15 printed digits allow."""

    estimates: list[float]
    standard_errors: list[float]
    residual_sd: float
    r_squared: float
    residual_squares: float
    f: float


def norris():
    """Ozone meters; the file that scipy ships for its own tests."""
    file = importlib.resources.files("scipy") / "stats/tests/data/nist_linregress/Norris.dat"
    rows = [line.split() for line in file.read_text().splitlines()[60:] if line.strip()]
    y, x = np.array(rows, dtype=float).T
    assert len(y) == 36
    return np.column_stack([np.ones_like(x), x]), y


def no_intercept_1():
    return np.arange(60.0, 71.0)[:, np.newaxis], np.arange(130.0, 141.0)


def no_intercept_2():
    return np.array([[4.0], [5.0], [6.0]]), np.array([3.0, 4.0, 4.0])


def pontius():
    """Load cell; the data as a public test file of GSL (multifit/test_pontius.c) has them."""
    x = np.tile(np.arange(150_000.0, 3_000_001.0, 150_000.0), 2)
    y = """.11019 .21956 .32949 .43899 .54803 .65694 .76562 .87487 .98292 1.09146 1.20001 1.30822
        1.41599 1.52399 1.63194 1.73947 1.84646 1.95392 2.06128 2.16844 .11052 .22018 .32939 .43886
        .54798 .65739 .76596 .87474 .98300 1.09150 1.20004 1.30818 1.41613 1.52408 1.63159 1.73965
        1.84696 1.95445 2.06177 2.16829"""
    return np.column_stack([np.ones(40), x, x**2]), np.array(y.split(), dtype=float)


def longley():
    """Employment; the columns depend on each other nearly.  Data shipped with statsmodels."""
    data = sm.datasets.longley.load_pandas()
    return np.column_stack([np.ones(16), data.exog.to_numpy()]), data.endog.to_numpy()


STRD = {
    norris: Certified(
        [-0.262323073774029, 1.00211681802045],
        [0.232818234301152, 0.429796848199937e-3],
        0.884796396144373,
        0.999993745883712,
        26.6173985294224,
        5436385.54079785,
    ),
    no_intercept_1: Certified(
        [2.07438016528926],
        [0.165289256198347e-1],
        3.56753034006338,
        0.999365492298663,
        127.272727272727,
        15750.2500000000,
    ),
    no_intercept_2: Certified(
        [0.727272727272727],
        [0.420827318078432e-1],
        0.369274472937998,
        0.993348115299335,
        0.272727272727273,
        298.666666666667,
    ),
    pontius: Certified(
        [0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14],
        [0.107938612033077e-3, 0.157817399981659e-9, 0.486652849992036e-16],
        0.205177424076185e-3,
        0.999999900178537,
        0.155761768796992e-5,
        185330865.995752,
    ),
    longley: Certified(
        [
            -3482258.63459582,
            15.0618722713733,
            -0.358191792925910e-1,
            -2.02022980381683,
            -1.03322686717359,
            -0.511041056535807e-1,
            1829.15146461355,
        ],
        [
            890420.383607373,
            84.9149257747669,
            0.334910077722432e-1,
            0.488399681651699,
            0.214274163161675,
            0.226073200069370,
            455.478499142212,
        ],
        304.854073561965,
        0.995479004577296,
        836424.055505915,
        330.285339234588,
    ),
}
"""NIST Statistical Reference Datasets (StRD), linear least squares, certified values."""

# Where the machine's long double is no wider than its double, refinement cannot do as much.
WIDE = np.finfo(np.longdouble).eps < np.finfo(np.float64).eps
ESTIMATES_REL = 2e-13 if WIDE else 1e-8


@pytest.mark.parametrize("data", STRD, ids=lambda data: data.__name__)
def test_certified_values_of_nist(data):
    design, y = data()
    expected = STRD[data]
    fit = ours.least_squares(design, y)
    assert fit.estimates == pytest.approx(expected.estimates, rel=ESTIMATES_REL)
    # 15 digits are printed; the condition of the columns costs (AᵀA)⁻¹ some of them.
    assert fit.standard_errors == pytest.approx(expected.standard_errors, rel=1e-11)
    assert fit.residual_sd == pytest.approx(expected.residual_sd, rel=1e-12)
    assert fit.chi_square == pytest.approx(expected.residual_squares, rel=1e-12)
    assert fit.r_squared == pytest.approx(expected.r_squared, abs=2e-15)
    assert fit.centred == (data not in (no_intercept_1, no_intercept_2))


@pytest.mark.parametrize("data", STRD, ids=lambda data: data.__name__)
def test_analysis_of_variance_of_nist(data):
    """NIST StRD certifies F of the whole model against the constant alone, or against nothing."""
    design, y = data()
    large = ours.least_squares(design, y)
    small = ours.least_squares(np.ones((len(y), 1)) if large.centred else np.zeros((len(y), 0)), y)
    found = ours.nested_f_test(small, large)
    assert found.statistic == pytest.approx(STRD[data].f, rel=1e-11)
    regression = large.unknowns - small.unknowns
    assert found.degrees_of_freedom == (regression, len(y) - large.unknowns)


def test_r_squared_without_a_constant_is_not_taken_about_the_mean():
    """NIST StRD NoInt1: about the mean it would be −0.157 and say that the line is worthless."""
    design, y = no_intercept_1()
    fit = ours.least_squares(design, y)
    about_the_mean = 1.0 - fit.chi_square / np.sum((y - y.mean()) ** 2)
    assert about_the_mean == pytest.approx(-0.157, abs=5e-4)
    assert fit.r_squared == pytest.approx(0.999365492298663, abs=1e-15)


@pytest.mark.parametrize("tenth", [1.0, 0.1])
def test_polynomials_of_wampler(tenth):
    """NIST StRD Wampler1 and Wampler2: y = Σ (tenth x)^j, j = 0..5, x = 0..20, no scatter."""
    x = np.arange(21.0)
    design = np.vander(x, 6, increasing=True)
    y = np.array(
        [sum((1.0 if tenth == 1.0 else 10.0**-j) * each**j for j in range(6)) for each in x]
    )
    fit = ours.least_squares(design, y)
    assert fit.estimates == pytest.approx([tenth**j for j in range(6)], rel=1e-9)
    assert fit.residual_sd == pytest.approx(0.0, abs=1e-9 * np.abs(y).max())


# --- JCGM 100:2008, annex H.3: calibration of a thermometer ------------------------------------

H3_T = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
H3_B = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]


def h3_fit():
    x = np.array(H3_T) - 20.0
    return ours.least_squares(np.column_stack([np.ones(11), x]), H3_B)


def test_calibration_of_a_thermometer_to_the_digits_that_jcgm_100_prints():
    """JCGM 100:2008, H.3.3 and H.3.4: estimates, their standard uncertainties, r, s."""
    fit = h3_fit()
    assert [round(float(fit.estimates[0]), 4), round(float(fit.estimates[1]), 5)] == [
        -0.1712,
        0.00218,
    ]
    assert [round(float(fit.standard_errors[0]), 4), round(float(fit.standard_errors[1]), 5)] == [
        0.0029,
        0.00067,
    ]
    r = fit.covariance[0, 1] / np.prod(fit.standard_errors)
    assert round(float(r), 3) == -0.930
    assert round(fit.residual_sd, 4) == 0.0035
    # The same, recomputed from those data in exact rational arithmetic.
    assert fit.estimates == pytest.approx([-0.17120379, 0.0021827], abs=5e-8)
    assert fit.standard_errors == pytest.approx([0.0028776, 0.00066794], abs=5e-8)
    assert r == pytest.approx(-0.93042960, abs=5e-8)
    assert fit.residual_sd == pytest.approx(0.00349756, abs=5e-8)


def test_predicted_correction_to_the_digits_that_jcgm_100_prints():
    """JCGM 100:2008, H.3.4: b(30 °C) = −0.1494 °C, standard uncertainty 0.0041 °C, ν = 9."""
    fit = h3_fit()
    found = ours.mean_response(fit, [1.0, 10.0])
    assert round(float(found.centre[0]), 4) == -0.1494
    assert round(float(found.standard_error[0]), 4) == 0.0041
    assert fit.degrees_of_freedom == 9
    # Recomputed: centre, u, and u with the scatter of a new reading.
    assert found.centre[0] == pytest.approx(-0.14937681, abs=5e-8)
    assert found.standard_error[0] == pytest.approx(0.00413860, abs=5e-8)
    new = ours.prediction(fit, [1.0, 10.0])
    assert new.standard_error[0] == pytest.approx(0.00541857, abs=5e-8)


# --- J. Miller and J. Miller, inverse prediction -----------------------------------------------

FLUORESCEIN = [0, 2, 4, 6, 8, 10, 12], [2.1, 5.0, 9.0, 12.6, 17.3, 21.0, 24.7]


@pytest.mark.parametrize(
    ("y", "repeats", "x", "standard_error", "fieller"),
    [
        (13.5, 1, 6.20721554, 0.23975422, (5.59060774, 6.82505639)),
        (2.9, 1, 0.71600370, 0.26456977, (0.01899159, 1.38157291)),
        (23.0, 1, 11.12858464, 0.26319326, (10.46610635, 11.82158104)),
        (13.5, 4, 6.20721554, 0.14061336, (5.84583607, 6.56982807)),
    ],
)
def test_inverse_prediction_of_miller_and_miller(y, repeats, x, standard_error, fieller):
    """J. and J. Miller, "Statistics and Chemometrics for Analytical Chemistry", fluorescence.

    The book prints two decimals (6.21 ± 0.24, 0.72 ± 0.26, 11.13 ± 0.26, with four readings
    ± 0.14), cited from memory; more digits and Fieller's intervals recomputed from its data.
    """
    x_known, read = np.array(FLUORESCEIN)
    fit = ours.least_squares(np.column_stack([np.ones(7), x_known]), read)
    assert fit.estimates == pytest.approx([1.51785714, 1.93035714], abs=5e-9)
    assert fit.standard_errors == pytest.approx([0.294936, 0.04090026], abs=5e-7)
    assert fit.residual_sd == pytest.approx(0.43284771, abs=5e-9)
    found = ours.inverse_prediction(fit, y, repeats=repeats)
    assert found.x == pytest.approx(x, abs=5e-8)
    assert found.standard_error == pytest.approx(standard_error, abs=5e-8)
    assert (found.low, found.high) == pytest.approx(fieller, abs=5e-8)
    assert found.bounded


# --- statsmodels on random data ----------------------------------------------------------------


def random_data(seed, n=14):
    """A design with a constant, a temperature difference and its square; unequal scatter."""
    random = np.random.default_rng(seed)
    x = random.uniform(2.0, 18.0, n)
    design = np.column_stack([np.ones(n), x, x**2])
    sigma = random.uniform(0.03, 0.3, n)
    covariance = np.diag(sigma**2) + random.uniform(0.0, 0.2) ** 2
    y = design @ [0.2, -0.3, 0.01] + np.linalg.cholesky(covariance) @ random.normal(size=n)
    at = np.array([0.0, 5.0, 13.5, 25.0])
    rows = np.column_stack([np.ones(4), at, at**2])
    return design, y, sigma, covariance, rows


SEEDS = range(6)


def fits(seed):
    """The same data fitted by both, for each kind of weighting."""
    design, y, sigma, covariance, _ = random_data(seed)
    return {
        "ols": (ours.least_squares(design, y), sm.OLS(y, design).fit()),
        "wls": (
            ours.least_squares(design, y, weights=sigma**-2),
            sm.WLS(y, design, weights=sigma**-2).fit(),
        ),
        "gls": (
            ours.least_squares(design, y, covariance=covariance),
            sm.GLS(y, design, sigma=covariance).fit(),
        ),
        "gls, scale known": (
            ours.least_squares(design, y, covariance=covariance, known_scale=True),
            sm.GLS(y, design, sigma=covariance).fit(cov_type="fixed scale", use_t=False),
        ),
    }


@pytest.mark.parametrize("kind", ["ols", "wls", "gls", "gls, scale known"])
@pytest.mark.parametrize("seed", SEEDS)
def test_estimates_and_intervals_agree_with_statsmodels(kind, seed):
    """statsmodels, OLS/WLS/GLS: params, bse, conf_int, get_prediction."""
    fit, theirs = fits(seed)[kind]
    rows = random_data(seed)[-1]
    assert fit.estimates == pytest.approx(theirs.params, rel=1e-8)
    assert fit.standard_errors == pytest.approx(theirs.bse, rel=1e-8)
    assert fit.covariance == pytest.approx(theirs.cov_params(), rel=1e-7)
    assert fit.residuals == pytest.approx(theirs.resid, abs=1e-9)
    for level in (0.5, 0.95, 0.99):
        half = fit.quantile(level) * fit.standard_errors
        bounds = np.column_stack([fit.estimates - half, fit.estimates + half])
        assert bounds == pytest.approx(theirs.conf_int(alpha=1.0 - level), rel=1e-7, abs=1e-9)
        found = ours.mean_response(fit, rows, level)
        expected = theirs.get_prediction(rows)
        assert found.centre == pytest.approx(expected.predicted_mean, rel=1e-7, abs=1e-9)
        assert found.standard_error == pytest.approx(expected.se_mean, rel=1e-7)
        assert np.column_stack([found.low, found.high]) == pytest.approx(
            expected.conf_int(alpha=1.0 - level), rel=1e-7, abs=1e-9
        )


@pytest.mark.parametrize("kind", ["ols", "wls", "gls"])
@pytest.mark.parametrize("seed", SEEDS)
def test_interval_of_a_new_reading_agrees_with_statsmodels(kind, seed):
    """statsmodels, get_prediction().conf_int(obs=True), a new reading of weight 1."""
    fit, theirs = fits(seed)[kind]
    rows = random_data(seed)[-1]
    found = ours.prediction(fit, rows, level_fraction=0.9)
    expected = theirs.get_prediction(rows).conf_int(obs=True, alpha=0.1)
    assert np.column_stack([found.low, found.high]) == pytest.approx(expected, rel=1e-7, abs=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_interval_of_a_new_reading_with_its_own_weight_agrees_with_statsmodels(seed):
    """statsmodels, WLS get_prediction(weights=): a new reading less certain than weight 1."""
    fit, theirs = fits(seed)["wls"]
    rows = random_data(seed)[-1]
    variance = np.array([0.01, 0.04, 0.09, 0.25])
    found = ours.prediction(fit, rows, variance=variance)
    expected = theirs.get_prediction(rows, weights=1.0 / variance).conf_int(obs=True, alpha=0.05)
    assert np.column_stack([found.low, found.high]) == pytest.approx(expected, rel=1e-7, abs=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_influence_agrees_with_statsmodels(seed):
    """statsmodels, OLSInfluence: leverage, internally studentised and deleted residuals."""
    fit, theirs = fits(seed)["ols"]
    influence = theirs.get_influence()
    assert fit.leverage == pytest.approx(influence.hat_matrix_diag, rel=1e-8)
    assert fit.standardised == pytest.approx(influence.resid_studentized_internal, rel=1e-7)
    assert fit.deleted == pytest.approx(influence.resid_press, rel=1e-7)


@pytest.mark.parametrize("kind", ["ols", "wls"])
@pytest.mark.parametrize("seed", SEEDS)
def test_r_squared_agrees_with_statsmodels(kind, seed):
    """statsmodels, rsquared, about the (weighted) mean."""
    fit, theirs = fits(seed)[kind]
    assert fit.centred
    assert fit.r_squared == pytest.approx(theirs.rsquared, rel=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_comparison_of_models_agrees_with_statsmodels(seed):
    """statsmodels, anova_lm for the F-test, eval_measures.aicc with the variance counted."""
    design, y, _, _, _ = random_data(seed)
    small, large = ours.least_squares(design[:, :2], y), ours.least_squares(design, y)
    their_small, their_large = sm.OLS(y, design[:, :2]).fit(), sm.OLS(y, design).fit()
    found = ours.nested_f_test(small, large)
    expected = anova_lm(their_small, their_large)
    assert found.statistic == pytest.approx(expected["F"].iloc[1], rel=1e-7)
    assert found.p_value == pytest.approx(expected["Pr(>F)"].iloc[1], rel=1e-6)
    # Up to a constant of the data, as every information criterion.
    theirs = [
        aicc_of_others(each.llf, len(y), k) for each, k in ((their_small, 3), (their_large, 4))
    ]
    assert ours.aicc(large) - ours.aicc(small) == pytest.approx(theirs[1] - theirs[0], abs=1e-7)


@pytest.mark.parametrize("seed", SEEDS)
def test_known_scale_agrees_with_the_normal_distribution_of_scipy(seed):
    """scipy.stats: −2 ln of the density of the residuals, and the χ² distribution."""
    fit, _ = fits(seed)["gls, scale known"]
    _, y, _, covariance, _ = random_data(seed)
    density = stats.multivariate_normal(fit.fitted, covariance).logpdf(y)
    constant = len(y) * np.log(2.0 * np.pi) + fit.log_determinant
    assert ours.aic(fit) + constant == pytest.approx(-2.0 * density + 2 * 3, rel=1e-9)
    found = ours.chi_square_test(fit)
    assert found.p_value == pytest.approx(1.0 - stats.chi2(11).cdf(fit.chi_square), abs=1e-12)
    assert ours.birge_ratio(fit) == pytest.approx(np.sqrt(found.statistic / 11), rel=1e-12)


@pytest.mark.parametrize("seed", SEEDS)
def test_shared_error_agrees_with_mixed_model_equations_solved_by_statsmodels(seed):
    """C. Henderson's mixed model equations (1975, from memory), solved by statsmodels WLS.

    A bias that all readings share is one more unknown with a pseudo-reading 0 ± its standard
    uncertainty.  Estimates, errors and the prediction of slope × x + bias must be those of the
    full covariance.
    """
    random = np.random.default_rng(seed)
    n, u_b = 9, 0.17
    x = random.uniform(3.0, 16.0, n)
    sigma = random.uniform(0.05, 0.2, n)
    y = 0.74 * x + random.normal(0.0, u_b) + random.normal(0.0, sigma)
    fit = ours.least_squares(
        x, y, covariance=np.diag(sigma**2) + u_b**2 * np.ones((n, n)), known_scale=True
    )
    at = np.array([2.0, 13.5, 20.0])
    found = ours.best_prediction(fit, at, shared=np.full(n, u_b**2), variance=u_b**2)
    design = np.vstack([np.column_stack([x, np.ones(n)]), [0.0, 1.0]])
    weights = np.append(sigma, u_b) ** -2.0
    mixed = sm.WLS(np.append(y, 0.0), design, weights=weights).fit(
        cov_type="fixed scale", use_t=False
    )
    assert fit.estimates[0] == pytest.approx(mixed.params[0], rel=1e-9)
    assert fit.standard_errors[0] == pytest.approx(mixed.bse[0], rel=1e-9)
    expected = mixed.get_prediction(np.column_stack([at, np.ones(3)]))
    assert found.centre == pytest.approx(expected.predicted_mean, rel=1e-9)
    assert found.standard_error == pytest.approx(expected.se_mean, rel=1e-9)
    assert np.column_stack([found.low, found.high]) == pytest.approx(expected.conf_int(), rel=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_one_more_unknown_with_a_known_scale_agrees_with_statsmodels(seed):
    """statsmodels, GLS, normal p value of the last column: the same question asked otherwise."""
    design, y, _, covariance, _ = random_data(seed)
    large, theirs = fits(seed)["gls, scale known"]
    small = ours.least_squares(design[:, :2], y, covariance=covariance, known_scale=True)
    found = ours.nested_f_test(small, large)
    assert found.degrees_of_freedom == (1,)
    assert found.p_value == pytest.approx(theirs.pvalues[2], rel=1e-6)
